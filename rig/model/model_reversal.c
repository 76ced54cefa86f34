/* What forward and back against a blocked end comes to, from the parameters: the way is cut at the corners of
 * the line's behaviour (turn, stick band) and each smooth piece integrated by Gauss's rule. Plays are crossed
 * with no force on and take no work. */
#include "rig/model/drive.h"
#include "rig/model/model.h"
#include "rig/model/nip.h"
#include "rig/model/push_line.h"

#include <math.h>

struct loop {
    struct drive drive;
    struct nip nip;
    double motor_n;
    bool at_feeder;
};

/* One piece of the way: nip and end force go in a straight line from their values at its start to those at
 * its end, while the filament travels travel_mm at the nip, forward positive. */
struct piece {
    double feeder_from_n, feeder_to_n;
    double end_from_n, end_to_n;
    double travel_mm;
};

/* Integral over the piece of force at the cell times commanded feed, N mm. Commanded feed is the gear's,
 * d filament / (1 - s) forward and d filament / (1 + s) back (what is lost always goes with the force), and
 * what the rotor's lag changes with the nip force. */
static double piece_work_mj(const struct loop *l, const struct piece *p, double from, double to)
{
    /* Gauss-Legendre with 5 points on -1..1. */
    static const double AT[] = {-0.9061798459386640, -0.5384693101056831, 0, 0.5384693101056831,
                                0.9061798459386640};
    static const double WEIGHT[] = {0.2369268850561891, 0.4786286704993665, 0.5688888888888889,
                                    0.4786286704993665, 0.2369268850561891};
    double half = (to - from) / 2;
    double sum = 0;
    for (int i = 0; i < 5; i++) {
        double at = from + half * (1 + AT[i]);
        double feeder_n = p->feeder_from_n + at * (p->feeder_to_n - p->feeder_from_n);
        double end_n = p->end_from_n + at * (p->end_to_n - p->end_from_n);
        double lost = nip_lost_share(&l->nip, feeder_n);
        double feed_mm = p->travel_mm / (p->travel_mm > 0 ? 1 - lost : 1 + lost);
        /* d lag / d at, from lag = step 2 / pi asin(F / motor). */
        double sine = feeder_n / l->motor_n;
        double lag_mm = l->drive.full_step_mm * 2 / 3.14159265358979323846 / sqrt(1 - sine * sine) *
                        (p->feeder_to_n - p->feeder_from_n) / l->motor_n;
        sum += WEIGHT[i] * (l->at_feeder ? feeder_n : end_n) * (feed_mm + lag_mm);
    }
    return half * sum;
}

/* The whole piece, cut where gross slip begins and into parts short enough for the steep lag near the motor's
 * limit. */
static double work_mj(const struct loop *l, const struct piece *p)
{
    static const int PARTS = 200;
    double span_n = p->feeder_to_n - p->feeder_from_n;
    double bend = fabs(span_n) > 0 ? (l->nip.onset_n - p->feeder_from_n) / span_n : 0;
    bend = fmax(0, fmin(1, bend));
    double sum = 0;
    for (int i = 0; i < PARTS; i++) {
        double from = (double)i / PARTS;
        double to = (double)(i + 1) / PARTS;
        sum += piece_work_mj(l, p, bend * from, bend * to);
        sum += piece_work_mj(l, p, bend + (1 - bend) * from, bend + (1 - bend) * to);
    }
    return sum;
}

struct model_reversal_truth model_truth_reversal(const struct model_parameters *p, double preload_n,
                                                 double speed_mm_s, double force_n)
{
    double at_n = preload_n > 0 ? preload_n : p->nip.preload_n;
    struct push_line line = push_line_blocked(p);
    struct loop l = {
        .drive = drive_at(p, at_n, speed_mm_s, 1, 0),
        .nip = nip_at(p, at_n, speed_mm_s, 1, 0),
        .at_feeder = p->sensor.at_feeder,
    };
    double ratio = line.ratio;
    double turn_n = l.at_feeder ? force_n : force_n * ratio; /* at the nip */
    double end_n = turn_n / ratio;                           /* behind the tube, where the filament turns */
    double back_n = end_n / ratio;                           /* at the nip, where it begins to slide back */
    l.drive.eccentricity_mm = 0;
    l.motor_n = drive_motor_force_n(&l.drive, 0);
    struct model_reversal_truth truth = {
        .lost_motion_mm = p->gear.backlash_mm + line.clearance_mm,
        .hysteresis_mj = NAN,
        .force_ratio = ratio * ratio,
    };
    double pushed_mm = push_line_pushed(&line, turn_n).filament_mm - line.wall_mm;
    double stick_mm = (turn_n - back_n) / line.column_n_per_mm;
    double slide_mm = back_n / line.column_n_per_mm + end_n / line.end_n_per_mm;
    const struct piece forward = {0, turn_n, 0, end_n, pushed_mm};
    const struct piece stick = {turn_n, back_n, end_n, end_n, -stick_mm};
    const struct piece back = {back_n, 0, end_n, 0, -slide_mm};
    bool tears = l.nip.shear_n > 0 && turn_n >= l.nip.shear_n;
    if (force_n >= 0 && turn_n < l.motor_n && turn_n < l.nip.grip_n && !tears)
        truth.hysteresis_mj = work_mj(&l, &forward) + work_mj(&l, &stick) + work_mj(&l, &back);
    return truth;
}
