/* The push step by step.
 *
 * Four unknowns move together: gear travel g, filament travel, nip force F and rotor lag. With the commanded
 * position known they are tied by g + lag(F, F_motor(g)) = commanded - 4 full steps * cycles lost (the rotor
 * follows the field) d filament = d feed(g) - s(F) |d feed(g)|,   F from the filament through the elastic
 * line        (the nip slips: always the way the force goes, so that a gear that turns back lets the filament
 * back further) which is the same as  d delta / d commanded = 1 / (2 step / pi + F_motor
 * cos(delta) / (k (1 - s)))  of a straight push, but holds for reversals, speed changes and a tube as well.
 * Taking g as the independent variable keeps the equations free of singular points: near delta = 90 degrees
 * the lag only becomes steep, and the commanded position at which a cycle is lost, or the force at which
 * teeth tear, is found by root search and not by small steps.
 *
 * A reduction with play p stands between the drive (the rotor, as travel at the pitch line) and the gear: g =
 * drive + at, at from 0 (as when pushing) to p. While the filament pushes back on the gear the flanks stay
 * together and at is 0; without force it is the drive that moves first, through the play, and then the gear.
 */
#include "rig/model/model.h"

#include "rig/model/drive.h"
#include "rig/model/hot_end.h"
#include "rig/model/load_cell.h"
#include "rig/model/nip.h"
#include "rig/model/push_line.h"

#include <math.h>
#include <string.h>

static const double PI = 3.14159265358979323846;
/* Commanded feed, gear travel and time (for the hot end) of one sub-step. Halving the first two moves a peak
 * by far less than 0.01 N; a test holds that. */
static const double SUBSTEP_MM = 0.004;
static const double SUBSTEP_S = 1e-3;
static const long SUBSTEPS_MAX = 1000000;
static const double TRAVEL_MAX_MM = 10000; /* in one call: no feeder moves so far in a time step */
static const double ROOT_MM = 1e-10;       /* 3 nN of force at 30 N/mm */
static const double DRAW_LIMIT = 3;        /* draws are held to this many standard deviations */

static uint64_t mix(uint64_t x)
{
    /* The output function of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014). */
    x = (x ^ (x >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    x = (x ^ (x >> 27)) * UINT64_C(0x94D049BB133111EB);
    return x ^ (x >> 31);
}

static const uint64_t GOLDEN = UINT64_C(0x9E3779B97F4A7C15);

double model_random_uniform(struct model_random *r)
{
    r->state += GOLDEN;
    return ((double)(mix(r->state) >> 11) + 0.5) * 0x1p-53;
}

double model_random_normal(struct model_random *r)
{
    double radius = sqrt(-2 * log(model_random_uniform(r)));
    return radius * cos(2 * PI * model_random_uniform(r));
}

enum stream { STREAM_MOUNT, STREAM_DRAWS, STREAM_DRIFT, STREAM_SENSOR, STREAM_BRAKE };

static struct model_random stream_of(uint64_t seed, uint64_t run, enum stream which)
{
    struct model_random r = {mix(mix(mix(seed + GOLDEN) + run * GOLDEN) + (uint64_t)which * GOLDEN)};
    return r;
}

/* 1 + sd * normal, the normal held within 3 standard deviations. Always takes the same number of draws. */
static double draw_factor(struct model_random *r, double relative_sd)
{
    double normal = model_random_normal(r);
    return 1 + relative_sd * fmax(-DRAW_LIMIT, fmin(DRAW_LIMIT, normal));
}

double model_stiffness_n_per_mm(const struct model_fixture *f)
{
    double section_mm2 = PI * f->filament_diameter_mm * f->filament_diameter_mm / 4;
    double column_n_per_mm = f->filament_modulus_mpa * section_mm2 / f->free_length_mm;
    return 1 / (1 / column_n_per_mm + 1 / f->stiffness_n_per_mm);
}

double model_feed_per_microstep_mm(const struct model_parameters *p, double preload_n)
{
    double microsteps_per_turn = p->motor.full_steps_per_rev * p->gear.reduction * p->motor.microsteps;
    return PI * drive_diameter_mm(p, preload_n) / microsteps_per_turn;
}

void model_mount(const struct model_parameters *p, struct model_state *s, uint64_t seed)
{
    struct model_state kept = {
        .gross_slip_mm = s->gross_slip_mm,
        .fed_mm = s->fed_mm,
        .fed_clean_mm = s->fed_clean_mm,
        .hung_n = s->hung_n,
        .cell_follows_n = s->cell_follows_n,
    };
    struct model_random r = stream_of(seed, 0, STREAM_MOUNT);
    *s = kept;
    s->mount_seed = seed;
    s->refit_factor = draw_factor(&r, p->spread.refit);
    model_begin_run(p, s, 0);
    s->runs_since_mount = 0;
}

void model_begin_run(const struct model_parameters *p, struct model_state *s, double preload_n)
{
    struct model_state run = {
        .draws = stream_of(s->mount_seed, s->runs_since_mount, STREAM_DRAWS),
        .drift_draws = stream_of(s->mount_seed, s->runs_since_mount, STREAM_DRIFT),
        .sensor_draws = stream_of(s->mount_seed, s->runs_since_mount, STREAM_SENSOR),
        .mount_seed = s->mount_seed,
        .runs_since_mount = s->runs_since_mount + 1,
        .preload_n = preload_n > 0 ? preload_n : p->nip.preload_n,
        .refit_factor = s->refit_factor,
        .gross_slip_mm = s->gross_slip_mm,
        .gross_slip_start_mm = s->gross_slip_mm,
        .fed_mm = s->fed_mm,
        .fed_clean_mm = s->fed_clean_mm,
        .fed_start_mm = s->fed_mm,
        .hung_n = s->hung_n,
        .cell_follows_n = s->cell_follows_n,
        .coils_on = true,
    };
    run.repeat_factor = draw_factor(&run.draws, p->spread.repeat);
    run.motor_factor = draw_factor(&run.draws, p->spread.motor_repeat);
    run.gear_angle_start_rad = 2 * PI * model_random_uniform(&run.draws);
    run.torque_factor = draw_factor(&run.draws, p->motor.torque_scatter);
    run.shear_factor = draw_factor(&run.draws, p->nip.shear_scatter / 5);
    /* A stream of its own: what else a run draws does not depend on whether there is a brake. */
    struct model_random brake_draws = stream_of(s->mount_seed, s->runs_since_mount, STREAM_BRAKE);
    run.brake_factor = fmax(0, draw_factor(&brake_draws, p->fixture.brake_repeat));
    *s = run;
}

void model_clean(struct model_state *s)
{
    s->fed_clean_mm = s->fed_mm;
}

double model_fed_since_cleaning_m(const struct model_state *s)
{
    return fmax(0, s->fed_start_mm - s->fed_clean_mm) / 1000;
}

/* One sub-step in hand. */
struct push {
    const struct model_parameters *p;
    struct model_state *s;
    struct drive drive;
    struct nip nip;
    struct push_line line;
    struct push_line_state now;
    struct hot_end hot_end;
    double feed_mm; /* pitch point at the gear's present travel */
    double speed_mm_s;
};

/* What a move of the drive would lead to. */
struct outcome {
    struct push_line_state line;
    double backlash_at_mm;
    double drive_mm; /* where the drive then stands */
    double gear_mm;
    double feed_mm;
    double gross_slip_mm;
    double motor_force_n;
};

static void set_drive(struct push *u)
{
    u->drive = drive_at(u->p, u->s->preload_n, u->speed_mm_s, u->s->motor_factor * u->s->torque_factor,
                        u->s->gear_angle_start_rad);
}

static void set_nip(struct push *u)
{
    double wear = nip_wear_factor(&u->p->nip, u->s->gross_slip_mm);
    double fed_m = (u->s->fed_mm - u->s->fed_clean_mm) / 1000;
    u->nip =
        nip_at(u->p, u->s->preload_n, u->speed_mm_s, u->s->refit_factor * u->s->repeat_factor * wear, fed_m);
    /* The lost share goes to 1 at the grip limit, so a force beyond it would never be reached. */
    u->nip.shear_n = fmin(u->nip.shear_n * u->s->shear_factor, 0.995 * u->nip.grip_n);
}

/* The gear turns by travel_mm along its pitch line; rigid: nothing is lost at the nip. Lost share by the
 * midpoint rule. */
static struct outcome turn_gear(const struct push *u, double travel_mm, bool rigid)
{
    struct outcome o = {.line = u->now, .gear_mm = u->s->gear_mm + travel_mm};
    o.feed_mm = drive_feed_mm(&u->drive, o.gear_mm);
    o.motor_force_n = drive_motor_force_n(&u->drive, o.gear_mm);
    double feed_mm = o.feed_mm - u->feed_mm;
    double lost_mm = 0;
    if (!rigid) {
        double half_lost_mm = nip_lost_share(&u->nip, u->now.force_feeder_n) * fabs(feed_mm) / 2;
        struct push_line_state middle = u->now;
        push_line_move(&u->line, &middle, feed_mm / 2 - half_lost_mm);
        lost_mm = nip_lost_share(&u->nip, middle.force_feeder_n) * fabs(feed_mm);
        o.gross_slip_mm = nip_gross_share(&u->nip, middle.force_feeder_n) * fabs(feed_mm);
    }
    push_line_move(&u->line, &o.line, feed_mm - lost_mm);
    return o;
}

/* The filament goes back until it carries nothing. Returns how far, mm. */
static double let_go(const struct push_line *line, struct push_line_state *s)
{
    double back_mm = push_line_release_mm(line, s);
    push_line_move(line, s, -back_mm);
    s->force_feeder_n = 0;
    s->force_end_n = 0;
    return back_mm;
}

static double drive_at_mm(const struct model_state *s)
{
    return s->gear_mm - s->backlash_at_mm;
}

/* The drive moves by travel_mm: through the play where nothing presses the flanks together, else the gear
 * with it. */
static struct outcome turn_drive(const struct push *u, double travel_mm, bool rigid)
{
    double at_mm = u->s->backlash_at_mm;
    double room_mm = u->p->gear.backlash_mm - at_mm;
    double crossed_mm = 0; /* of the play, as the drive's travel */
    struct outcome o;
    if (travel_mm > 0) {
        crossed_mm = fmin(travel_mm, at_mm);
    } else if (travel_mm < 0 && room_mm > 0) {
        double loose_mm = -travel_mm; /* of the way, what is left when the force is gone */
        if (u->now.force_feeder_n > 0) {
            o = turn_gear(u, travel_mm, rigid);
            double share =
                push_line_release_mm(&u->line, &u->now) / (u->now.filament_mm - o.line.filament_mm);
            loose_mm = o.line.force_feeder_n > 0 ? 0 : loose_mm * fmax(0, 1 - share);
        }
        crossed_mm = -fmin(loose_mm, room_mm);
    }
    o = turn_gear(u, travel_mm - crossed_mm, rigid);
    /* The sum rounds: at most the play itself. */
    o.backlash_at_mm = fmax(0, fmin(u->p->gear.backlash_mm, at_mm - crossed_mm));
    /* The midpoint rule places the release to some nanometres; where flanks are apart nothing is pressed. */
    if (o.backlash_at_mm > 0)
        let_go(&u->line, &o.line);
    o.drive_mm = o.gear_mm - o.backlash_at_mm;
    return o;
}

static void take(struct push *u, const struct outcome *o)
{
    struct model_state *s = u->s;
    bool new_nip = nip_fades(&u->p->nip) || (o->gross_slip_mm > 0 && u->p->nip.wear_per_m > 0);
    u->now = o->line;
    u->feed_mm = o->feed_mm;
    s->fed_mm += fabs(o->gear_mm - s->gear_mm);
    s->gear_mm = o->gear_mm;
    s->backlash_at_mm = o->backlash_at_mm;
    s->gross_slip_mm += o->gross_slip_mm;
    if (new_nip)
        set_nip(u);
}

/* The travel at which drive and lag together stand at rotor_mm. As the lag is between nothing and one
 * full step, the root is bracketed from the outset; Newton with the chord slope, bisection where that leaves
 * the bracket. */
static double travel_to(const struct push *u, double rotor_mm, bool rigid)
{
    double high = rotor_mm - drive_at_mm(u->s);
    double low = high - u->drive.full_step_mm;
    double travel = fmax(low, fmin(high, 0));
    double before_n = u->now.force_feeder_n;
    double slope_n_per_mm = push_line_feeder_stiffness(&u->line);
    for (int i = 0; i < 100 && high - low > ROOT_MM; i++) {
        struct outcome o = turn_drive(u, travel, rigid);
        double force_n = o.line.force_feeder_n;
        double off = o.drive_mm + drive_lag_mm(&u->drive, force_n, o.motor_force_n) - rotor_mm;
        double room = o.motor_force_n * o.motor_force_n - force_n * force_n;
        if (off > 0)
            high = travel;
        else
            low = travel;
        if (fabs(travel) > ROOT_MM)
            slope_n_per_mm = (force_n - before_n) / travel;
        double lag_slope = room > 0 ? 2 / PI * u->drive.full_step_mm * slope_n_per_mm / sqrt(room) : 0;
        double next = travel - off / (1 + fmax(0, lag_slope));
        if (fabs(next - travel) < ROOT_MM)
            return next;
        travel = next > low && next < high ? next : (low + high) / 2;
    }
    return travel;
}

/* The least travel of the drive in 0..high at which the nip force meets the motor's (at_n 0) or at_n. The
 * force at high is at or above it. Bisection would do; the rule of false position, one end halved (Illinois),
 * is quicker. */
static double travel_to_force(const struct push *u, double high, double at_n)
{
    double low = 0;
    double low_off =
        u->now.force_feeder_n - (at_n > 0 ? at_n : drive_motor_force_n(&u->drive, u->s->gear_mm));
    double high_off = 0;
    int side = 0;
    if (low_off >= 0)
        return 0;
    for (int i = 0; i < 100 && high - low > ROOT_MM; i++) {
        double travel = i == 0 ? high : (low * high_off - high * low_off) / (high_off - low_off);
        struct outcome o = turn_drive(u, travel, false);
        double off = o.line.force_feeder_n - (at_n > 0 ? at_n : o.motor_force_n);
        if (fabs(off) < 1e-9)
            return travel;
        if (off > 0) {
            high = travel;
            high_off = off;
            low_off = side == 1 ? low_off / 2 : low_off;
            side = 1;
        } else {
            low = travel;
            low_off = off;
            high_off = side == -1 ? high_off / 2 : high_off;
            side = -1;
        }
    }
    return high;
}

static void slip_back(struct push *u, double distance_mm)
{
    double back_mm = fmin(distance_mm, push_line_release_mm(&u->line, &u->now));
    push_line_move(&u->line, &u->now, -back_mm);
    u->s->gross_slip_mm += back_mm;
}

static void tear_teeth(struct push *u)
{
    struct model_state *s = u->s;
    double mean_mm = nip_mean_slip_mm(u->p, u->drive.diameter_mm);
    double factor = 1 + u->p->nip.shear_scatter * model_random_normal(&s->draws);
    slip_back(u, mean_mm * fmax(0.2, fmin(1.8, factor)));
    s->shear_factor = draw_factor(&s->draws, u->p->nip.shear_scatter / 5);
    set_nip(u);
}

/* Past 90 degrees the rotor falls back one electrical cycle, gear and filament rigidly with it, and is caught
 * there. When the force is still over what the motor then holds, follow() finds it stalled again and calls
 * for another. */
static void lose_cycle(struct push *u, double rotor_mm)
{
    u->s->cycles_lost++;
    u->s->torque_factor = draw_factor(&u->s->draws, u->p->motor.torque_scatter);
    set_drive(u);
    double caught_mm = rotor_mm - 4 * u->drive.full_step_mm;
    struct outcome o = turn_drive(u, travel_to(u, caught_mm, true), true);
    take(u, &o);
}

/* Let rotor, gear and filament follow to the commanded position of this sub-step. */
static void follow(struct push *u, double commanded_mm)
{
    struct model_state *s = u->s;
    for (long i = 0; i < SUBSTEPS_MAX; i++) {
        double step_mm = u->drive.full_step_mm;
        double rotor_mm = commanded_mm - 4 * step_mm * (double)s->cycles_lost;
        double stall_travel = rotor_mm - step_mm - drive_at_mm(s); /* where the lag would be a full step */
        double travel;
        bool stalls = u->now.force_feeder_n >= drive_motor_force_n(&u->drive, s->gear_mm);
        bool clipped = false;
        struct outcome o;
        if (stalls) {
            travel = 0;
        } else {
            if (stall_travel > 0) {
                travel = fmin(stall_travel, SUBSTEP_MM);
                o = turn_drive(u, travel, false);
                stalls = o.line.force_feeder_n >= o.motor_force_n;
            }
            travel = stalls ? travel_to_force(u, travel, 0) : travel_to(u, rotor_mm, false);
            clipped = fabs(travel) > SUBSTEP_MM;
            if (clipped)
                travel = copysign(SUBSTEP_MM, travel);
        }
        o = turn_drive(u, travel, false);
        if (u->nip.shear_n > 0 && o.line.force_feeder_n >= u->nip.shear_n) {
            travel = travel > 0 ? travel_to_force(u, travel, u->nip.shear_n) : 0;
            o = turn_drive(u, travel, false);
            take(u, &o);
            tear_teeth(u);
            continue;
        }
        take(u, &o);
        if (stalls)
            lose_cycle(u, fmin(rotor_mm, drive_at_mm(s) + step_mm));
        else if (!clipped)
            return;
    }
}

/* Coils off: nothing holds the gear, so the filament springs back until it carries nothing, the gear with it.
 */
static void release(struct push *u)
{
    double back_mm = let_go(&u->line, &u->now);
    u->s->gear_mm -= back_mm;
    u->s->fed_mm += back_mm;
    u->s->coils_were_off = true;
}

/* Coils on again: the rotor is caught by the nearest stable position of the field. */
static void catch_rotor(struct push *u, double commanded_mm)
{
    double cycle_mm = 4 * u->drive.full_step_mm;
    u->s->cycles_lost = (int64_t)llround((commanded_mm - drive_at_mm(u->s)) / cycle_mm);
    u->s->coils_were_off = false;
}

/* From the commanded position start_mm on by travel_mm within dt_s, coils on. */
static void push_on(struct push *u, double start_mm, double travel_mm, double dt_s)
{
    bool melts = u->hot_end.on;
    double count = fmax(ceil(fabs(travel_mm) / SUBSTEP_MM), melts ? ceil(dt_s / SUBSTEP_S) : 1);
    long n = count < (double)SUBSTEPS_MAX ? (long)count : SUBSTEPS_MAX;
    if (u->p->fixture.end == MODEL_END_FREE && !(u->now.force_feeder_n > 0)) {
        /* No force will come up, so nothing lags and nothing is lost, however long the way. */
        double rotor_mm = start_mm + travel_mm - 4 * u->drive.full_step_mm * (double)u->s->cycles_lost;
        struct outcome o = turn_drive(u, rotor_mm - drive_at_mm(u->s), true);
        take(u, &o);
        return;
    }
    for (long i = 1; i <= n; i++) {
        if (melts)
            hot_end_melt(&u->hot_end, &u->line, &u->now, dt_s / (double)n / 2);
        /* A grip that has just become less (wear, debris, speed) lets go what it cannot hold. */
        if (u->now.force_feeder_n > u->nip.grip_n)
            slip_back(u, (u->now.force_feeder_n - u->nip.grip_n) / push_line_feeder_stiffness(&u->line));
        follow(u, start_mm + travel_mm * (double)i / (double)n);
        if (melts)
            hot_end_melt(&u->hot_end, &u->line, &u->now, dt_s / (double)n / 2);
    }
}

void model_step(const struct model_parameters *p, struct model_state *s, double commanded_microsteps,
                double dt_s)
{
    double start_mm = s->commanded_mm;
    double travel_mm = commanded_microsteps * model_feed_per_microstep_mm(p, s->preload_n) - start_mm;
    if (!(dt_s > 0) || !(fabs(travel_mm) <= TRAVEL_MAX_MM))
        return;
    struct push u = {
        .p = p,
        .s = s,
        .line = push_line_of(p, s->melted_mm),
        .now = {s->filament_mm, s->force_feeder_n, s->force_end_n, s->tube_play_mm, 0},
        .hot_end = hot_end_of(p),
        .speed_mm_s = travel_mm / dt_s,
    };
    u.line.slides_at_n *= s->brake_factor;
    set_drive(&u);
    set_nip(&u);
    u.feed_mm = drive_feed_mm(&u.drive, s->gear_mm);
    load_cell_drift(p, s, dt_s);
    if (!s->coils_on) {
        release(&u);
    } else {
        if (s->coils_were_off)
            catch_rotor(&u, start_mm);
        push_on(&u, start_mm, travel_mm, dt_s);
    }
    s->commanded_mm = start_mm + travel_mm;
    s->filament_mm = u.now.filament_mm;
    s->force_feeder_n = u.now.force_feeder_n;
    s->force_end_n = u.now.force_end_n;
    s->tube_play_mm = u.now.play_mm;
    s->melted_mm += u.now.given_mm;
    load_cell_load(p, s);
}
