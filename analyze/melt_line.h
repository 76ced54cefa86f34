/* The load lines of a hot end, one for each temperature, from the melt-push runs of one feeder: what the
 * test's outcome tells and what the operating chart needs. No I/O. */
#ifndef ANALYZE_MELT_LINE_H
#define ANALYZE_MELT_LINE_H

#include "analyze/bench_test.h"
#include "analyze/numerics/load_line_fit.h"

/* The load line at one temperature, with all that the operating chart wants of it. */
#define MELT_LINES_MAX 10
struct melt_line {
    double temperature_c;
    size_t run_count, used_count, bound_count; /* bounds: stalled, limited, not settled */
    size_t beside_count; /* settled, but at rates at which other runs stalled: left out of the fit */
    double
        drops_rate_mm3_s; /* least commanded rate from which on runs stalled by drops; INFINITY: none did */
    double incident_rate_mm3_s; /* least one at which a run stalled although all runs at two faster ones and
                                 * more went: not the load's doing; 0: none */
    bool present;               /* false: why_not says why */
    char why_not[200];
    struct load_line_fit fit;
    double power_aicc, varying_aicc;
    struct load_line_fit
        fit_creep;               /* the same with one standard uncertainty more of creep; no encoder only */
    double reference_rate_mm3_s; /* the middle one of the ladder */
    double filament_diameter_mm;
    bool with_encoder;              /* rates are measured, in all runs */
    double lost_share_at_0;         /* lost share of feed is this and creep_per_n F: what the encoder finds */
    double creep_per_n;             /* at no force, by a wrong drive diameter; 0 without an encoder */
    double creep_uncertainty_per_n; /* 0 with an encoder */
    bool creep_assumed;             /* nothing measured it */
    double onset_n; /* without an encoder: past this force the rate is not known; or INFINITY */
    double rate_relative_uncertainty; /* common to all rates: scale of the encoder, or of the feed */
    /* Least commanded rate from which on runs stalled, or lost half their feed; 0: none did. */
    double stalled_rate_mm3_s;
};

/* A run that loses this share of its feed slips more than it feeds; creep is told from runs that lose less
 * than the other. */
#define MELT_LINE_SLIPPING_SHARE 0.5
#define MELT_LINE_CREEPING_SHARE 0.1
/* Where no encoder measures the feed and no loaded-feed test its creep, up to this share of it is taken to be
 * lost at the greatest force of the line: half of it is taken off, give or take as much. */
#define MELT_LINE_CREEP_SHARE 0.04

/* All lines of the runs, in rising temperature; returns how many. *without: runs whose hot end's temperature
 * is not stated; *beyond: temperatures past MELT_LINES_MAX that were left out. */
size_t melt_line_find(const struct run_result *const *runs, size_t count,
                      const struct bench_test_context *context, struct melt_line lines[MELT_LINES_MAX],
                      size_t *without, size_t *beyond);

/* Force at a rate, its standard error by the scatter of the runs, and what the creep that is not measured
 * adds (0 with an encoder). N. */
double melt_line_force_n(const struct melt_line *line, double rate_mm3_s, double *scatter_n, double *creep_n);

/* A quantity of a run of melt-push; absent where the run was not analysed. */
const struct quantity *melt_line_quantity(const struct run_result *run, size_t which);

/* Whether the run is analysed and at the temperature of the line. */
bool melt_line_of(const struct run_result *run, const struct melt_line *line);

/* Whether that run's point counts for a load line; its rate with creep as the line has it. */
bool melt_line_point(const struct run_result *run, const struct melt_line *line, double *rate_mm3_s,
                     double *force_n);

#endif
