#include "analyze/reversal_loop.h"

#include "analyze/numerics/loop_fit.h"
#include "analyze/push_loading.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A force is a load when it is this many standard deviations of a reading above zero, and this share of the
 * greatest force. */
#define LOAD_SDS   3.0
#define LOAD_SHARE 0.06
/* The part of a branch that is carried on to no force ends at this share of its greatest force. */
#define BRANCH_SHARE 0.6
/* Of the force at which the way back slides. */
#define SLIDE_SHARE 0.85
/* Parts of the loop around the turn that are fitted reach down to this share of the greatest force; without a
 * tube on both sides, so that ripple of the gear bends both branches alike and falls out. */
#define TURN_FORWARD_SHARE 0.5
/* With a tube the way back is fitted down to this share of the force at which it slides. */
#define SLIDE_DOWN_SHARE 0.35
/* A ratio that is uncertain by more than this share is none. */
#define RATIO_ERROR_MOST 0.2
/* Counts of the commanded position at the turn that are left out. */
#define TURN_SKIP_COUNTS 1.0
/* A fall of the force on the way forward by this share is a stall. */
#define STALL_SHARE 0.1
/* No contact below this many standard deviations of a reading, or this force. */
#define CONTACT_SDS   10.0
#define CONTACT_LEAST 1.0 /* N */
/* Counts of an encoder that are left out at the ends of the way with no force on. */
#define PLAY_MARGIN 2.0
/* And counts of the commanded position, and samples. */
#define PLAY_MARGIN_COUNTS  2.0
#define PLAY_MARGIN_SAMPLES 3.0
/* Gross slip is believed when it takes this share of the feed at the turn, and brings so much BIC. */
#define SLIP_SHARE    0.02
#define SLIP_BIC_GAIN 12.0
/* And when the next contact has moved on by this share of what it would be moved by. */
#define MOVES_ON_SHARE 0.5
/* An onset nearer to the turn than this is no harm, and the braking there may look like one. */
#define SLIP_ONSET_MOST 0.95
/* Cycles that scatter more than their fits say, with this probability by chance or less, are weighed by their
 * scatter: chi-square over degrees of freedom for 1 to 8 of these, tables. */
static const double SCATTER_CHI[] = {6.63, 4.61, 3.78, 3.32, 3.02, 2.80, 2.64, 2.51};

struct sum {
    size_t n;
    double values[64], variances[64], inverse_degrees;
};

static void add(struct sum *s, double value, double standard_error, double degrees_of_freedom)
{
    if (s->n == 64 || !isfinite(value) || !isfinite(standard_error))
        return;
    s->values[s->n] = value;
    s->variances[s->n++] = standard_error * standard_error;
    s->inverse_degrees += degrees_of_freedom > 0 ? 1 / degrees_of_freedom : 0;
}

/* trend: the cycles differ in earnest, as their greatest force does; then their scatter says nothing. */
static struct loop_mean mean_of(const struct sum *s, bool trend)
{
    struct loop_mean m = {.n = s->n};
    double variance = 0, scatter = 0;
    if (s->n == 0)
        return m;
    for (size_t i = 0; i < s->n; i++) {
        m.value += s->values[i] / (double)s->n;
        variance += s->variances[i];
    }
    for (size_t i = 0; i < s->n; i++)
        scatter += (s->values[i] - m.value) * (s->values[i] - m.value);
    m.standard_error = sqrt(variance) / (double)s->n;
    m.degrees_of_freedom = s->inverse_degrees > 0 ? (double)(s->n * s->n) / s->inverse_degrees : INFINITY;
    if (s->n > 1 && !trend) {
        size_t degrees = s->n - 1;
        double limit = SCATTER_CHI[degrees < 8 ? degrees - 1 : 7];
        double found = scatter / (double)degrees;
        if (found > limit * variance / (double)s->n) {
            m.standard_error = sqrt(found / (double)s->n);
            m.degrees_of_freedom = (double)degrees;
        }
    }
    return m;
}

/* One cycle: its legs as rows of samples, and where the force begins and ends. */
struct cycle {
    size_t first, turn, last; /* samples */
    double top_n;             /* mean of the last few samples before the turn */
    bool met, let_go;
    struct loop_zero contact, release;                   /* in commanded feed */
    struct loop_zero contact_measured, release_measured; /* the same in measured feed; with an encoder */
};

static double mean_force(const struct push_motion *m, size_t first, size_t n)
{
    double sum = 0;
    for (size_t i = first; i < first + n; i++)
        sum += m->force_n[i];
    return sum / (double)n;
}

/* Room for one leg turned round: feed, force. */
struct leg {
    double *feed_mm, *force_n;
};

/* The way of one leg in the order of rising force; measured: measured feed in place of commanded. */
static void lay_out(const struct push_motion *m, size_t first, size_t last, bool back, bool measured,
                    const struct leg *room)
{
    size_t n = last - first + 1;
    for (size_t i = 0; i < n; i++) {
        size_t j = back ? last - i : first + i;
        room->feed_mm[i] = measured ? m->feed_mm[j] - m->lost_mm[j] : m->feed_mm[j];
        room->force_n[i] = m->force_n[j];
    }
}

static bool find_zero(const struct push_motion *m, size_t first, size_t last, bool back, bool measured,
                      double low_n, double high_n, const struct leg *room, struct loop_zero *zero)
{
    struct err ignored;
    lay_out(m, first, last, back, measured, room);
    return loop_fit_zero(room->feed_mm, room->force_n, last - first + 1, low_n, high_n, zero, &ignored) ==
           ERR_OK;
}

/* How far the force fell on the way forward, from the greatest mean of a few samples to the last. */
static double fall_n(const struct push_motion *m, const struct cycle *c, double *from_n)
{
    size_t n = c->turn - c->first + 1, width = n / 200 + 5;
    double greatest = -INFINITY, last = 0, deepest = 0;
    for (size_t i = c->first; i + width <= c->turn + 1; i += width) {
        last = mean_force(m, i, width);
        if (last > greatest)
            greatest = last;
        if (greatest - last > deepest) {
            deepest = greatest - last;
            *from_n = greatest;
        }
    }
    return deepest;
}

/* The lost motion at the turn between the way back of one cycle and the way forward of the next. Only the
 * stretches with no force on are used: under force the measured feed of an encoder past the column lags by
 * what the column is compressed by, which is no lost motion. */
static enum err_code take_lost(const struct push_motion *m, const struct cycle *before,
                               const struct cycle *after, double count_mm, const struct leg *back,
                               const struct leg *forward, struct loop_play *play, double *way_mm,
                               struct err *e)
{
    size_t back_n = 0, forward_n = 0;
    double low = INFINITY, high = fmin(before->release_measured.feed_mm, after->contact_measured.feed_mm);
    /* The rooms hold commanded and measured feed here. */
    for (size_t i = before->turn; i <= before->last; i++) {
        double measured = m->feed_mm[i] - m->lost_mm[i];
        if (m->feed_mm[i] > before->release.feed_mm)
            continue;
        back->feed_mm[back_n] = m->feed_mm[i];
        back->force_n[back_n++] = measured;
        low = fmin(low, measured);
    }
    for (size_t i = after->first; i <= after->turn && m->feed_mm[i] < after->contact.feed_mm; i++) {
        double measured = m->feed_mm[i] - m->lost_mm[i];
        forward->feed_mm[forward_n] = m->feed_mm[i];
        forward->force_n[forward_n++] = measured;
        low = fmin(low, measured);
    }
    *way_mm = before->release.feed_mm - m->feed_mm[before->last];
    double per_sample =
        fabs(m->feed_mm[after->turn] - m->feed_mm[after->first]) / (double)(after->turn - after->first + 1);
    double margin =
        PLAY_MARGIN * count_mm + PLAY_MARGIN_COUNTS * m->microstep_mm + PLAY_MARGIN_SAMPLES * per_sample;
    low += margin;
    high -= margin;
    return loop_fit_play(back->feed_mm, back->force_n, back_n, forward->feed_mm, forward->force_n, forward_n,
                         low, high, fmax(count_mm, (high - low) / 60), play, e);
}

static size_t longest_leg(const struct push_motion *m)
{
    size_t longest = 0;
    for (size_t k = 0; k < m->leg_count; k++) {
        size_t n = m->legs[k + 1] - m->legs[k] + 1;
        longest = n > longest ? n : longest;
    }
    return longest;
}

/* One way forward fitted as any blocked push; false where it cannot be. */
static bool fit_way(const struct push_motion *m, const struct push_result *r, const struct cycle *c,
                    const struct push_gear *gear, struct slip_onset *fit)
{
    struct push_motion leg = *m;
    struct push_loading loading;
    size_t contact = c->first;
    leg.n = c->turn + 1;
    while (contact < c->turn && m->feed_mm[contact] < c->contact.feed_mm)
        contact++;
    push_loading_fit(&leg, r, contact, leg.n, 0, 0, gear, &loading);
    *fit = loading.fit;
    return loading.fitted;
}

/* Whether one way forward by itself shows gross slip. What slips must move the next contact on by as much,
 * where there is one. */
static bool shows_slip(const struct slip_onset *f, const struct cycle *c, const struct cycle *next)
{
    double past_n = c->top_n - f->onset_n;
    /* Forward and back. */
    double moves_on_mm = f->gross_slip_per_n * past_n * past_n / c->contact.stiffness_n_per_mm;
    if (next != NULL && next->contact.feed_mm - c->contact.feed_mm < MOVES_ON_SHARE * moves_on_mm)
        return false;
    return f->onset_found && f->bic_gain > SLIP_BIC_GAIN && f->onset_n < SLIP_ONSET_MOST * c->top_n &&
           f->lost_share_end > SLIP_SHARE && f->gross_slip_per_n * past_n > SLIP_SHARE &&
           f->creep_per_n > -3 * f->creep_standard_error_per_n;
}

/* Integral of force over way, forward and back, N mm. */
static double area_n_mm(const struct push_motion *m, size_t first, size_t last)
{
    double sum = 0;
    for (size_t i = first; i < last; i++)
        sum += (m->force_n[i] + m->force_n[i + 1]) / 2 * fabs(m->feed_mm[i + 1] - m->feed_mm[i]);
    return sum;
}

/* Creep by how far the contact moves on from the first cycle to the last. What creeps forward and what creeps
 * back add up: the filament falls behind the feed by creep times the integral of force over way, and all
 * else of a loop comes back to where it was. *creep is left as it is where no two contacts follow each other.
 */
static void creep_of_contacts(const struct push_motion *m, const struct cycle *cycles, size_t count,
                              double drift_n_per_s, struct loop_creep *creep)
{
    const struct cycle *first = NULL, *last = NULL;
    for (size_t i = 0; i < count; i++) {
        if (!cycles[i].met)
            continue;
        first = first == NULL ? &cycles[i] : first;
        last = &cycles[i];
    }
    double area = first != last ? area_n_mm(m, first->first, last->first) : 0;
    if (!(area > 0))
        return;
    double drift_mm =
        drift_n_per_s * (m->time_s[last->first] - m->time_s[first->first]) / last->contact.stiffness_n_per_mm;
    double error_mm = hypot(first->contact.standard_error_mm, last->contact.standard_error_mm);
    creep->per_n = (last->contact.feed_mm - first->contact.feed_mm) / area;
    creep->standard_error_per_n = hypot(error_mm, drift_mm) / area;
}

/* Gross slip on the first way forward, and the creep that it shows. */
static void look_at_way(const struct push_motion *m, const struct push_result *r, const struct cycle *cycles,
                        size_t count, const struct push_gear *gear, struct reversal_loops *loops)
{
    const struct cycle *next = count > 1 && cycles[1].met ? &cycles[1] : NULL;
    struct slip_onset f;
    if (!cycles[0].met || !fit_way(m, r, &cycles[0], gear, &f))
        return;
    loops->slipped = shows_slip(&f, &cycles[0], next);
    loops->slip_onset_n = loops->slipped ? f.onset_n : 0;
    if (isfinite(f.creep_standard_error_per_n))
        loops->creep = (struct loop_creep){f.creep_per_n, f.creep_standard_error_per_n};
}

struct sums {
    struct sum top, slide, ratio, stiffness, lost, energy;
    double by_creep; /* what the log ratios would be more by, with one standard error more of creep; summed */
};

/* The way of the filament in place of the commanded feed: creep takes its share of the feed on the way
 * forward and adds it on the way back, and would bend the steep part. Up to the turn in forward_mm, from
 * there in back_mm. */
static void take_creep_off(const struct push_motion *m, const struct cycle *c, double creep_per_n,
                           double *forward_mm, double *back_mm)
{
    double turn_mm = m->feed_mm[c->turn], at_mm = turn_mm;
    forward_mm[c->turn - c->first] = turn_mm;
    for (size_t i = c->turn; i-- > c->first;) {
        double force_n = (m->force_n[i] + m->force_n[i + 1]) / 2;
        at_mm -= (m->feed_mm[i + 1] - m->feed_mm[i]) * (1 - creep_per_n * force_n);
        forward_mm[i - c->first] = at_mm;
    }
    at_mm = turn_mm;
    back_mm[0] = turn_mm;
    for (size_t i = c->turn + 1; i <= c->last; i++) {
        double force_n = (m->force_n[i - 1] + m->force_n[i]) / 2;
        at_mm += (m->feed_mm[i] - m->feed_mm[i - 1]) * (1 + creep_per_n * force_n);
        back_mm[i - c->turn] = at_mm;
    }
}

static enum err_code fit_turn(const struct push_motion *m, const struct cycle *c, double back_low_n,
                              bool has_tube, const double *forward_mm, const double *back_mm,
                              struct loop_turn *turn, struct err *e)
{
    return loop_fit_turn(forward_mm, m->force_n + c->first, c->turn - c->first + 1, back_mm,
                         m->force_n + c->turn, c->last - c->turn + 1, TURN_FORWARD_SHARE * c->top_n,
                         back_low_n, TURN_SKIP_COUNTS * m->microstep_mm, has_tube, turn, e);
}

/* Contact, release, turn and energy of one cycle. */
static void take_cycle(const struct push_motion *m, const struct push_result *r, struct cycle *c,
                       bool has_tube, double drift_n_per_s, const struct leg *room, const struct leg *other,
                       struct reversal_loops *loops, struct sums *sums)
{
    struct loop_turn turn = {0};
    struct err why = {0};
    double low = fmax(LOAD_SDS * r->noise_n, LOAD_SHARE * c->top_n), back_high = BRANCH_SHARE * c->top_n;
    double back_low = low;
    size_t width = 5 + (c->last - c->turn) / 200;
    struct loop_turn again;
    double *forward_mm = other->feed_mm, *back_mm = other->force_n; /* room for feed, both */
    take_creep_off(m, c, loops->creep.per_n, forward_mm, back_mm);
    /* At first down to where nothing but noise is left, for it is not known at what force the way back begins
     * to slide; then down to a share of that force, where the branch is nearly straight. */
    double turn_low = has_tube ? low : TURN_FORWARD_SHARE * c->top_n;
    bool turned = fit_turn(m, c, turn_low, has_tube, forward_mm, back_mm, &turn, &why) == ERR_OK;
    if (turned && has_tube && SLIDE_DOWN_SHARE * turn.slide_n > LOAD_SDS * r->noise_n &&
        fit_turn(m, c, SLIDE_DOWN_SHARE * turn.slide_n, true, forward_mm, back_mm, &again, &why) == ERR_OK &&
        again.log_ratio_standard_error < 2 * turn.log_ratio_standard_error) {
        turn_low = SLIDE_DOWN_SHARE * turn.slide_n;
        turn = again;
    }
    if (turned && !(turn.log_ratio_standard_error < RATIO_ERROR_MOST)) {
        turned = false;
        snprintf(why.text, sizeof why.text, "where the way back begins to slide cannot be told");
    }
    if (turned) {
        take_creep_off(m, c, loops->creep.per_n + loops->creep.standard_error_per_n, forward_mm, back_mm);
        if (has_tube && fit_turn(m, c, turn_low, true, forward_mm, back_mm, &again, &why) == ERR_OK)
            sums->by_creep += again.log_ratio - turn.log_ratio;
        add(&sums->top, turn.top_n, turn.top_standard_error_n, turn.degrees_of_freedom);
        add(&sums->slide, turn.slide_n, turn.slide_standard_error_n, turn.degrees_of_freedom);
        /* The zero of the run is the same in both forces and does not fall out of their ratio. */
        add(&sums->ratio, turn.log_ratio, turn.log_ratio_standard_error, turn.degrees_of_freedom);
        if (has_tube)
            back_high = fmin(back_high, SLIDE_SHARE * turn.slide_n);
        if (has_tube)
            back_low = fmax(LOAD_SDS * r->noise_n, LOAD_SHARE * turn.slide_n);
    } else {
        snprintf(loops->turn_why, sizeof loops->turn_why, "%.150s", why.text);
    }
    c->let_go = mean_force(m, c->last + 1 - width, width) < low &&
                find_zero(m, c->turn, c->last, true, false, back_low, back_high, room, &c->release);
    if (c->met)
        add(&sums->stiffness, c->contact.stiffness_n_per_mm,
            c->contact.standard_error_mm * c->contact.stiffness_n_per_mm / c->top_n,
            c->contact.degrees_of_freedom);
    if (!c->met || !c->let_go)
        return;
    loops->used++;
    if (m->lost_mm != NULL &&
        (!find_zero(m, c->first, c->turn, false, true, low, BRANCH_SHARE * c->top_n, room,
                    &c->contact_measured) ||
         !find_zero(m, c->turn, c->last, true, true, back_low, back_high, room, &c->release_measured)))
        c->met = c->let_go = false;
    size_t from = c->first, to = c->turn;
    double error, loaded = m->feed_mm[c->turn] - c->contact.feed_mm;
    while (from < c->turn && m->feed_mm[from] < c->contact.feed_mm)
        from++;
    while (to < c->last && m->feed_mm[to] > c->release.feed_mm)
        to++;
    double energy = loop_energy_mj(m->feed_mm + from, m->force_n + from, to - from + 1, r->noise_n, &error);
    /* A zero that moves between the two ways does not fall out of the loop. */
    double moved_n = drift_n_per_s * (m->time_s[to] - m->time_s[from]) / 2;
    add(&sums->energy, energy, hypot(error, moved_n * loaded), (double)(to - from));
    loops->loaded_mm += loaded;
}

static enum err_code take_all(const struct push_motion *m, const struct push_result *r, bool has_tube,
                              const struct push_gear *gear, double count_mm, const struct leg *one,
                              const struct leg *other, struct cycle *cycles, struct reversal_loops *loops,
                              struct err *e)
{
    struct sums sums = {0};
    size_t count = m->leg_count / 2;
    double span_s = m->time_s[m->n - 1] - m->time_s[0];
    double drift_n_per_s = 2 * m->zero_drift_uncertainty_n / span_s;
    double contact_n = fmax(CONTACT_SDS * r->noise_n, CONTACT_LEAST), greatest = 0;
    loops->cycles = count;
    for (size_t i = 0; i < count; i++) {
        struct cycle *c = &cycles[i];
        double from_n = 0;
        c->first = m->legs[2 * i];
        c->turn = m->legs[2 * i + 1];
        c->last = m->legs[2 * i + 2];
        size_t n = c->turn - c->first + 1, width = n / 200 + 3;
        if (n < 4 * PUSH_MOTION_QUIET_LEAST || c->last - c->turn < 4 * PUSH_MOTION_QUIET_LEAST)
            return err_set(e, ERR_NO_ANSWER, "cycle %zu has fewer than %u samples on one of its ways", i + 1,
                           4 * PUSH_MOTION_QUIET_LEAST);
        c->top_n = mean_force(m, c->turn + 1 - width, width);
        greatest = fmax(greatest, c->top_n);
        if (fall_n(m, c, &from_n) > fmax(2 * CONTACT_SDS / 3 * r->noise_n, STALL_SHARE * from_n) &&
            from_n > contact_n && !loops->stalled) {
            loops->stalled = true;
            loops->stalled_n = from_n;
        }
    }
    if (!(greatest > contact_n))
        return err_set(e, ERR_NO_ANSWER,
                       "no contact: the force never rose above %.3g N; nothing was in the way, or the travel "
                       "is too short",
                       contact_n);
    if (loops->stalled)
        return ERR_OK;
    for (size_t i = 0; i < count; i++) {
        struct cycle *c = &cycles[i];
        double low = fmax(LOAD_SDS * r->noise_n, LOAD_SHARE * c->top_n);
        c->met = c->top_n > contact_n && find_zero(m, c->first, c->turn, false, false, low,
                                                   BRANCH_SHARE * c->top_n, one, &c->contact);
    }
    look_at_way(m, r, cycles, count, gear, loops);
    if (loops->slipped)
        return ERR_OK;
    creep_of_contacts(m, cycles, count, drift_n_per_s, &loops->creep);
    loops->creep.per_n = fmax(0, loops->creep.per_n);
    for (size_t i = 0; i < count; i++) {
        if (cycles[i].top_n > contact_n)
            take_cycle(m, r, &cycles[i], has_tube, drift_n_per_s, one, other, loops, &sums);
    }
    if (loops->used == 0)
        return err_set(
            e, ERR_NO_ANSWER,
            "no whole loop: the run must start before contact and go back until nothing is loaded");
    loops->loaded_mm /= (double)loops->used;
    for (size_t i = 0; i + 1 < count; i++) {
        const struct cycle *a = &cycles[i], *b = &cycles[i + 1];
        struct loop_play play;
        struct err why = {0};
        double way_mm;
        if (!a->let_go || !b->met || m->lost_mm == NULL)
            continue;
        if (take_lost(m, a, b, count_mm, one, other, &play, &way_mm, &why) == ERR_OK) {
            add(&sums.lost, play.play_mm, play.standard_error_mm, play.degrees_of_freedom);
        } else {
            loops->lost_least_mm = fmax(loops->lost_least_mm, way_mm);
            snprintf(loops->lost_why, sizeof loops->lost_why, "%.150s", why.text);
        }
    }
    loops->top_n = mean_of(&sums.top, true);
    loops->slide_n = mean_of(&sums.slide, true);
    loops->log_ratio = mean_of(&sums.ratio, false);
    if (loops->log_ratio.n > 0)
        loops->log_ratio.standard_error =
            hypot(loops->log_ratio.standard_error, sums.by_creep / (double)loops->log_ratio.n);
    loops->stiffness_n_per_mm = mean_of(&sums.stiffness, false);
    loops->lost_mm = mean_of(&sums.lost, false);
    if (loops->lost_mm.n > 0)
        loops->lost_least_mm = 0;
    loops->energy_mj = mean_of(&sums.energy, true);
    return ERR_OK;
}

enum err_code reversal_loop_take(const struct push_motion *m, const struct push_result *r, bool has_tube,
                                 const struct push_gear *gear, double encoder_mm_per_count,
                                 struct reversal_loops *loops, struct err *e)
{
    size_t longest = longest_leg(m);
    struct cycle *cycles = calloc(m->leg_count + 1, sizeof *cycles);
    double *room = malloc(4 * (longest + 1) * sizeof *room);
    enum err_code code;
    memset(loops, 0, sizeof *loops);
    if (m->saturated)
        code = err_set(e, ERR_NO_ANSWER,
                       "the converter came to the end of its range: the loop is not whole; use less travel");
    else if (m->leg_count < 2)
        code = err_set(e, ERR_NO_ANSWER, "the run does not go back: a reversal goes forward and back");
    else if (cycles == NULL || room == NULL)
        code = err_set(e, ERR_MEMORY, "not enough memory for %zu samples", longest);
    else {
        struct leg one = {room, room + longest + 1};
        struct leg other = {room + 2 * (longest + 1), room + 3 * (longest + 1)};
        code = take_all(m, r, has_tube, gear, fabs(encoder_mm_per_count), &one, &other, cycles, loops, e);
    }
    free(cycles);
    free(room);
    return code;
}
