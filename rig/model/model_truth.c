/* What a steady push comes to, from the parameters. Everything here is worked out at the nip and turned into
 * forces at the load cell at the end; the only numerical work is a root of the load angle and one integral
 * over the rise. */
#include "rig/model/drive.h"
#include "rig/model/hot_end.h"
#include "rig/model/model.h"
#include "rig/model/nip.h"
#include "rig/model/push_line.h"

#include <math.h>

/* Above this relative scatter of the slip-back no single period describes the drops. */
static const double PERIODIC_SCATTER = 0.1;
static const int RISE_POINTS = 4000;

struct push_truth {
    const struct model_parameters *p;
    struct drive drive;
    struct nip nip;
    struct push_line line;
};

/* Feed at the pitch point that pushes the filament on by travel_mm from state s: integral of du / (1 - s(F)).
 */
static double feed_for_mm(const struct push_truth *t, struct push_line_state s, double travel_mm)
{
    double part_mm = travel_mm / RISE_POINTS;
    double feed = 0;
    for (int i = 0; i < RISE_POINTS; i++) {
        struct push_line_state middle = s;
        push_line_move(&t->line, &middle, part_mm / 2);
        feed += part_mm / fmax(1e-9, 1 - nip_lost_share(&t->nip, middle.force_feeder_n));
        push_line_move(&t->line, &s, part_mm);
    }
    return feed;
}

/* How far the filament falls back with the rotor when a cycle is lost at the motor's force: four full steps,
 * less what the lag becomes smaller by. Bisection between three full steps (no force left to lag for) and
 * four. */
static double fall_back_mm(const struct push_truth *t, const struct push_line_state *peak)
{
    double step_mm = t->drive.full_step_mm;
    double low = 3 * step_mm;
    double high = 4 * step_mm;
    for (int i = 0; i < 60; i++) {
        double fall = (low + high) / 2;
        struct push_line_state after = *peak;
        push_line_move(&t->line, &after, -fall);
        if (3 * step_mm + drive_lag_mm(&t->drive, after.force_feeder_n, peak->force_feeder_n) > fall)
            low = fall;
        else
            high = fall;
    }
    return (low + high) / 2;
}

static double drop_period_mm(const struct push_truth *t, double stall_n, bool motor)
{
    struct push_line_state peak = push_line_pushed(&t->line, stall_n);
    struct push_line_state trough = peak;
    if (motor) {
        /* Over one period the gear gains only what the nip lost in the rise; the field gains one cycle more.
         */
        double fall = fall_back_mm(t, &peak);
        push_line_move(&t->line, &trough, -fall);
        return 4 * t->drive.full_step_mm + feed_for_mm(t, trough, fall) - fall;
    }
    double slip = fmin(nip_mean_slip_mm(t->p, t->drive.diameter_mm), push_line_release_mm(&t->line, &peak));
    push_line_move(&t->line, &trough, -slip);
    return feed_for_mm(t, trough, slip);
}

/* Gear travel at which pushing on from the start of a run reaches force_n at the nip, mm along the mean pitch
 * line. */
static double gear_travel_to_mm(const struct push_truth *t, double force_n)
{
    double at_wall_mm = t->line.wall_mm;
    struct push_line_state start = {.filament_mm = at_wall_mm};
    double loaded_mm = push_line_pushed(&t->line, force_n).filament_mm - at_wall_mm;
    double feed_mm = drive_feed_mm(&t->drive, 0) + at_wall_mm + feed_for_mm(t, start, loaded_mm);
    double gear_mm = feed_mm;
    for (int i = 0; i < 30; i++)
        gear_mm -= drive_feed_mm(&t->drive, gear_mm) - feed_mm;
    return gear_mm;
}

static struct model_truth truth_of(const struct push_truth *t, double motor_n)
{
    double ratio = t->p->sensor.at_feeder ? 1 : t->line.ratio; /* nip over cell */
    bool tears = t->nip.shear_n > 0;
    double grip_stall_n = tears ? t->nip.shear_n : t->nip.grip_n;
    bool motor = motor_n < grip_stall_n;
    struct model_truth truth = {
        .motor_limit_n = motor_n / ratio,
        .grip_limit_n = t->nip.grip_n / ratio,
        .shear_n = t->nip.shear_n / ratio,
        .slip_onset_n = t->nip.onset_n / ratio,
        .onset_reached = motor_n > t->nip.onset_n,
        .creep_per_n = t->nip.creep_per_n * ratio,
        .gross_slip_per_n = t->nip.gross_per_n * ratio,
        .stall_force_n = fmin(motor_n, grip_stall_n) / ratio,
        .limited_by = motor ? MODEL_LIMIT_MOTOR : MODEL_LIMIT_GRIP,
        .settles = !motor && !tears,
        .stiffness_n_per_mm = t->p->sensor.at_feeder ? push_line_feeder_stiffness(&t->line)
                                                     : push_line_cell_stiffness(&t->line),
    };
    bool periodic = motor || (tears && t->p->nip.shear_scatter < PERIODIC_SCATTER);
    if (periodic && !hot_end_of(t->p).on)
        truth.drop_period_mm = drop_period_mm(t, fmin(motor_n, grip_stall_n), motor);
    return truth;
}

struct model_truth model_truth_nominal(const struct model_parameters *p, double preload_n, double speed_mm_s)
{
    double at_n = preload_n > 0 ? preload_n : p->nip.preload_n;
    struct push_truth t = {
        .p = p,
        .drive = drive_at(p, at_n, speed_mm_s, 1, 0),
        .nip = nip_at(p, at_n, speed_mm_s, 1, 0),
        .line = push_line_blocked(p),
    };
    t.drive.eccentricity_mm = 0;
    return truth_of(&t, drive_motor_force_n(&t.drive, 0));
}

struct model_truth model_truth_of_run(const struct model_parameters *p, const struct model_state *s,
                                      double speed_mm_s)
{
    double wear = nip_wear_factor(&p->nip, s->gross_slip_start_mm);
    struct push_truth t = {
        .p = p,
        .drive = drive_at(p, s->preload_n, speed_mm_s, s->motor_factor, s->gear_angle_start_rad),
        .nip = nip_at(p, s->preload_n, speed_mm_s, s->refit_factor * s->repeat_factor * wear,
                      model_fed_since_cleaning_m(s)),
        .line = push_line_blocked(p),
    };
    double grip_stall_n = t.nip.shear_n > 0 ? t.nip.shear_n : t.nip.grip_n;
    double mean_n = t.drive.gear_torque_n_mm / (t.drive.diameter_mm / 2);
    double motor_n = mean_n;
    /* The radius at the stall depends on how far the gear has turned by then, and that on the force. A push
     * that the grip ends never gets there: its motor limit is told for the mean radius. */
    for (int i = 0; i < 20 && t.drive.eccentricity_mm > 0 && mean_n < grip_stall_n; i++) {
        double reachable_n = fmin(motor_n, 0.999 * grip_stall_n);
        motor_n = drive_motor_force_n(&t.drive, gear_travel_to_mm(&t, reachable_n));
    }
    t.drive.eccentricity_mm = 0;
    t.drive.gear_torque_n_mm *= motor_n / mean_n;
    return truth_of(&t, motor_n);
}
