/* A loop of force against feed, forward against a spring and back: where it is met and let go, how the way
 * back begins, how much energy the loop takes. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_LOOP_FIT_H
#define ANALYZE_NUMERICS_LOOP_FIT_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Where a loaded branch, carried on to no force, meets the feed axis. */
struct loop_zero {
    double feed_mm, standard_error_mm;
    double stiffness_n_per_mm; /* there */
    double residual_sd_n;
    double correlation_length; /* samples per independent residual; below 1 for pick-up that averages out */
    double degrees_of_freedom;
    size_t first, last; /* the samples fitted */
};

/* The n samples of one leg in the order in which the force rises (the way back turned round). A parabola is
 * fitted to the part between low_n and high_n, as the mean of a few samples passes them, and carried on to no
 * force: the curvature is that of creep and of the load angle. ERR_NO_ANSWER when there are fewer than 20
 * samples there, or they do not rise. */
enum err_code loop_fit_zero(const double *feed_mm, const double *force_n, size_t n, double low_n,
                            double high_n, struct loop_zero *zero, struct err *e);

/* The turn at the top: the last part of the way forward, and the way back as a steep part (the filament
 * sticks in the tube) and one that slides back. */
struct loop_turn {
    double top_n, top_standard_error_n;         /* just before the turn */
    double slide_n, slide_standard_error_n;     /* where the way back starts to slide */
    double log_ratio, log_ratio_standard_error; /* ln(top / slide) */
    double stick_mm;                            /* way back to there */
    double stick_n_per_mm;
    double residual_sd_n, correlation_length, degrees_of_freedom;
    bool sticks; /* false: one branch from the turn on, its start apart from top_n by what the ratio says */
};

/* forward: the samples of the leg up to the turn; back: those from the turn on, both in the order of time. Of
 * each the part down to its low force is used, as the mean of a few samples passes it. has_tube: fit the
 * two parts; else one branch on each side, each with its own force at the turn, which are the same where
 * nothing rubs. ERR_NO_ANSWER when there are too few samples. */
enum err_code loop_fit_turn(const double *forward_mm, const double *forward_n, size_t forward_count,
                            const double *back_mm, const double *back_n, size_t back_count,
                            double forward_low_n, double back_low_n, double skip_mm, bool has_tube,
                            struct loop_turn *turn, struct err *e);

/* Integral of force over feed along n samples in their order, N mm = mJ, by trapezia; *standard_error (may be
 * NULL) is what independent noise of noise_n a sample makes of it. */
double loop_energy_mj(const double *feed_mm, const double *force_n, size_t n, double noise_n,
                      double *standard_error);

/* Commanded feed that moves nothing at a turn with nothing loaded: how much further the commanded feed stands
 * on the way forward than on the way back where the measured feed is the same. Eccentric gears and teeth do
 * the same both ways and fall out. */
struct loop_play {
    double play_mm, standard_error_mm;
    double degrees_of_freedom;
    size_t bins;
};
/* Both ways in any order of samples; only measured feed in low_mm to high_mm counts, in bins of at least
 * bin_mm. ERR_NO_ANSWER for fewer than 5 bins that hold samples of both ways. */
enum err_code loop_fit_play(const double *back_commanded_mm, const double *back_measured_mm,
                            size_t back_count, const double *forward_commanded_mm,
                            const double *forward_measured_mm, size_t forward_count, double low_mm,
                            double high_mm, double bin_mm, struct loop_play *play, struct err *e);

/* Friction of a tube from the logarithms of the force ratio of runs at several bends, ln(ratio) = 2 mu bend.
 * The run is the unit: what the turns of one run have in common (the gear stands at the same angle) makes its
 * runs scatter, not its turns. */
struct loop_belt {
    size_t n, bends;
    double friction, standard_error, degrees_of_freedom;
    double shared_error; /* of the friction, by what the runs of each bend share */
    bool repeated;  /* the scatter is that of runs at the same bend; else, as where they scatter less, what
                     * each  is known by */
    double p_value; /* of means at the bends that far off the law by chance: lack of fit against the pooled
                     * scatter of the runs, F (Draper and Smith, Applied Regression Analysis, 3rd ed., 2.1),
                     * with what the runs of a bend share besides; chi-square where it is not the scatter that
                     * counts; NAN for one bend */
};
/* One value for each run: bends above 0 in rad, standard errors above 0, and those, 0 or more, of what runs
 * of the same bend have in common and those of different bends have not. ERR_NO_ANSWER without any. */
enum err_code loop_fit_belt(const double *bend_rad, const double *log_ratio, const double *standard_error,
                            const double *shared_error, size_t n, struct loop_belt *belt, struct err *e);

#endif
