#include "capture/run_glance.h"

#include "datasets/format/kept.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NOISE_SDS      6.0 /* past which a reading is no noise */
#define TENTH          0.1 /* share of the feed that the end is judged by */
#define FEED_PARTS     40  /* of a push */
#define MEANS_LEAST    20  /* fewer tell nothing of the shape of a push */
#define STILL_RISING   0.25
#define FALL_OF_A_DROP (1.0 / 30)

static void add_mean(struct run_glance_means *m, double counts, double steps)
{
    if (m->each == 0)
        m->each = 1;
    m->open_sum += counts;
    m->open_feed += steps;
    if (++m->open_n < m->each)
        return;
    m->mean[m->n] = m->open_sum / (double)m->open_n;
    m->feed[m->n++] = m->open_feed / (double)m->open_n;
    m->open_sum = m->open_feed = 0;
    m->open_n = 0;
    if (m->n < RUN_GLANCE_MEANS)
        return;
    m->n /= 2;
    m->each *= 2;
    for (size_t i = 0; i < m->n; i++) {
        m->mean[i] = (m->mean[2 * i] + m->mean[2 * i + 1]) / 2;
        m->feed[i] = (m->feed[2 * i] + m->feed[2 * i + 1]) / 2;
    }
}

void run_glance_add(struct run_glance *g, enum run_glance_part part, const struct raw_sample *sample)
{
    double counts = sample->force_counts;
    if ((sample->flags & RUN_FLAG_OVER_RANGE) != 0) {
        g->over_range++;
        return; /* its count says nothing */
    }
    switch (part) {
    case RUN_GLANCE_BEFORE:
        if (!g->have_first)
            g->first = counts;
        g->have_first = true;
        g->sum += counts - g->first;
        g->squares += (counts - g->first) * (counts - g->first);
        g->n++;
        break;
    case RUN_GLANCE_PUSH:
        if (llabs((int64_t)sample->commanded_steps) > g->farthest_steps)
            g->farthest_steps = llabs((int64_t)sample->commanded_steps);
        add_mean(&g->push, counts, sample->commanded_steps);
        break;
    case RUN_GLANCE_AFTER:
        add_mean(&g->after, counts, 0);
        break;
    }
}

/* Whether a test pushes into a blocked end until something gives. */
static bool pushes_to_the_end(enum plan_test_kind kind)
{
    return kind == PLAN_BLOCKED_PUSH || kind == PLAN_SPEED_SWEEP || kind == PLAN_PRELOAD_SWEEP ||
           kind == PLAN_ENDURANCE;
}

/* Whether force is met on one way forward. */
static bool meets_force(enum plan_test_kind kind)
{
    return pushes_to_the_end(kind) || kind == PLAN_LOADED_FEED || kind == PLAN_MELT_PUSH;
}

/* A push in equal parts of its feed. Ramps and a filament that stands at the end last long and feed little:
 * in time any push would seem to level off. */
struct parts {
    double feed[FEED_PARTS], force_n[FEED_PARTS]; /* means of what is in each; feed as a share of all */
    size_t n;                                     /* without the empty ones */
};

static void divide(const struct run_glance_means *push, const double *force_n, struct parts *p)
{
    double all = push->feed[push->n - 1] - push->feed[0];
    int64_t count = 0;
    size_t last = 0;
    p->n = 0;
    for (size_t i = 0; i < push->n; i++) {
        double share = fmin(fmax((push->feed[i] - push->feed[0]) / all, 0), 1);
        size_t part = (size_t)fmin(share * FEED_PARTS, FEED_PARTS - 1);
        if (p->n == 0 || part > last) {
            p->feed[p->n] = p->force_n[p->n] = 0;
            p->n++;
            count = 0;
            last = part;
        }
        count++;
        p->feed[p->n - 1] += (share - p->feed[p->n - 1]) / (double)count;
        p->force_n[p->n - 1] += (force_n[i] - p->force_n[p->n - 1]) / (double)count;
    }
}

/* Force at a share of the feed, on straight lines between the parts. */
static double force_at(const struct parts *p, double feed)
{
    size_t i = 1;
    double along;
    while (i + 1 < p->n && p->feed[i] < feed)
        i++;
    along = (feed - p->feed[i - 1]) / (p->feed[i] - p->feed[i - 1]);
    return p->force_n[i - 1] + fmax(along, 0) * (p->force_n[i] - p->force_n[i - 1]);
}

/* Whether the force ever fell by more than least_fall_n. Looked for in means as short as there are: a motor
 * that lost step is back at its force within an electrical cycle, which may feed less than a part of the
 * push. */
static bool fell(const double *force_n, size_t n, double least_fall_n)
{
    double highest_n = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        highest_n = fmax(highest_n, force_n[i]);
        if (highest_n - force_n[i] > least_fall_n)
            return true;
    }
    return false;
}

/* As run_glance_judge says. */
static bool is_still_rising(const struct run_glance_means *push, const double *force_n, double peak_n,
                            double least_fall_n)
{
    struct parts p;
    double most_n = 0;
    double rise_n = 0;
    if (push->n < MEANS_LEAST || !(push->feed[push->n - 1] > push->feed[0]) ||
        fell(force_n, push->n, fmax(least_fall_n, peak_n * FALL_OF_A_DROP)))
        return false;
    divide(push, force_n, &p);
    for (size_t i = 1; i < p.n; i++) {
        rise_n = p.force_n[i] - force_at(&p, p.feed[i] - TENTH);
        most_n = fmax(most_n, rise_n);
    }
    return p.n > 1 && rise_n > STILL_RISING * most_n;
}

static void judge_push(const struct run_glance *g, const struct run_record *record,
                       const struct calibration *c, double zero_counts, double floor_n,
                       struct run_glance_result *r)
{
    double force_n[RUN_GLANCE_MEANS];
    r->peak_n = -INFINITY;
    r->least_n = INFINITY;
    for (size_t i = 0; i < g->push.n; i++) {
        force_n[i] = calibration_force_n(c, g->push.mean[i], zero_counts);
        r->peak_n = fmax(r->peak_n, force_n[i]);
        r->least_n = fmin(r->least_n, force_n[i]);
    }
    if (record->ended == RUN_INTERRUPTED || record->ended == RUN_FAULT || !meets_force(record->test))
        return;
    if (-r->least_n > floor_n && -r->least_n > r->peak_n)
        r->flag[RUN_GLANCE_WRONG_WAY] = true;
    else if (r->peak_n <= floor_n)
        r->flag[RUN_GLANCE_NO_LOAD] = true;
    else if (pushes_to_the_end(record->test) && record->ended == RUN_COMPLETE)
        /* A fall is a difference of two means. */
        r->flag[RUN_GLANCE_STILL_RISING] = is_still_rising(
            &g->push, force_n, r->peak_n, NOISE_SDS * r->noise_n * sqrt(2.0 / (double)g->push.each));
}

void run_glance_judge(const struct run_glance *g, const struct run_record *record,
                      const struct calibration *c, double zero_drift_limit_n, struct run_glance_result *r)
{
    double n = (double)g->n;
    double zero_counts = g->n > 0 ? g->first + g->sum / n : c->coefficients[0];
    double per_n = fabs(calibration_counts(c, 1, 0) - calibration_counts(c, 0, 0));
    size_t half = g->after.n / 2;
    double after = 0;
    *r = (struct run_glance_result){.peak_n = NAN, .least_n = NAN, .zero_moved_n = NAN};
    if (g->n > 1)
        r->noise_n = sqrt(fmax(0, (g->squares - g->sum * g->sum / n) / (n - 1))) / per_n;
    r->fed_mm = (double)g->farthest_steps * record->mm_per_microstep;
    r->floor_n = fmax(zero_drift_limit_n, NOISE_SDS * r->noise_n);
    if (g->push.n > 0)
        judge_push(g, record, c, zero_counts, r->floor_n, r);
    for (size_t i = half; i < g->after.n; i++)
        after += g->after.mean[i] / (double)(g->after.n - half);
    if (g->after.n > 0 && g->n > 0)
        r->zero_moved_n = calibration_force_n(c, after, zero_counts);
    r->flag[RUN_GLANCE_SATURATED] = g->over_range > 0;
    if (record->ended != RUN_INTERRUPTED) {
        r->flag[RUN_GLANCE_DRIFTED] = fabs(r->zero_moved_n) > zero_drift_limit_n;
        r->flag[RUN_GLANCE_GAPS] = record->gaps > 0;
        r->flag[RUN_GLANCE_FAULT] = record->ended == RUN_FAULT;
    }
    for (size_t i = 0; i < RUN_GLANCE_FLAGS; i++)
        r->looks_wrong = r->looks_wrong || r->flag[i];
}

void run_glance_flag_text(const struct run_glance_result *r, enum run_glance_flag flag,
                          const struct run_record *record, double zero_drift_limit_n, char *text, size_t size)
{
    text[0] = 0;
    switch (flag) {
    case RUN_GLANCE_SATURATED:
        snprintf(
            text, size,
            "saturated: the converter was over its range, so the force is not known there; is the load cell "
            "connected, and large enough?");
        break;
    case RUN_GLANCE_DRIFTED:
        snprintf(text, size,
                 "drifted: the reading at rest moved by %.2f N, more than %g N; filament left under load, a "
                 "knock, or "
                 "a cell that warms up?",
                 r->zero_moved_n, zero_drift_limit_n);
        break;
    case RUN_GLANCE_NO_LOAD:
        snprintf(text, size,
                 "no load: the force never rose above %.2g N; filament not in the nip or not gripped, or "
                 "nothing in its "
                 "way?",
                 r->floor_n);
        break;
    case RUN_GLANCE_WRONG_WAY:
        snprintf(text, size,
                 "wrong direction: the force fell to %.1f N while the feed went forward; motor or load cell "
                 "the wrong "
                 "way round?",
                 r->least_n);
        break;
    case RUN_GLANCE_STILL_RISING:
        snprintf(text, size,
                 "no onset: the force was still rising when %.1f mm of travel were through, so the push "
                 "ended before the feeder gave way; more travel, or a stiffer end?",
                 r->fed_mm);
        break;
    case RUN_GLANCE_GAPS:
        snprintf(text, size, "gaps: %" PRId64 " samples are missing in %" PRId64 " places",
                 record->link.samples_missing, record->gaps);
        break;
    case RUN_GLANCE_FAULT:
        snprintf(text, size, "fault: %s", kept_text_or_empty(record->ended_why));
        break;
    case RUN_GLANCE_FLAGS:
        break;
    }
}

/* A number of newtons with no sign where it shows nothing but zeros. */
static double without_minus(double value, double step)
{
    return fabs(value) < step / 2 ? 0 : value;
}

void run_glance_line(const struct run_glance_result *r, const struct run_record *record, const char *what,
                     int columns, char *text, size_t size)
{
    char part[6][SERIES_EVENT_TEXT_MAX + 16];
    static const int LEAST_FIRST[] = {4, 3, 1}; /* fed, zero, speed */
    bool shown[6] = {true, true, true, true, true, true};
    size_t length = 0;
    snprintf(part[0], sizeof part[0], "run %04d  %s", record->number, what);
    snprintf(part[1], sizeof part[1], "%g mm/s", record->speed_mm_s);
    snprintf(part[2], sizeof part[2], "peak %.1f N", without_minus(r->peak_n, 0.1));
    snprintf(part[3], sizeof part[3], "zero moved %.2f N", without_minus(r->zero_moved_n, 0.01));
    snprintf(part[4], sizeof part[4], "%.1f mm", r->fed_mm);
    snprintf(part[5], sizeof part[5], "ended: %s",
             record->ended == RUN_COMPLETE ? "travel" : kept_text_or_empty(record->ended_why));
    shown[2] = !isnan(r->peak_n);
    shown[3] = !isnan(r->zero_moved_n);
    for (size_t step = 0;; step++) {
        length = 0;
        for (size_t i = 0; i < 6; i++)
            length += shown[i] ? strlen(part[i]) + (i > 0 ? 2 : 0) : 0;
        if (columns == 0 || length <= (size_t)columns || step == sizeof LEAST_FIRST / sizeof LEAST_FIRST[0])
            break;
        shown[LEAST_FIRST[step]] = false;
    }
    text[0] = 0;
    for (size_t i = 0, used = 0; i < 6; i++) {
        if (!shown[i] || used >= size)
            continue;
        used += (size_t)snprintf(text + used, size - used, "%s%s", i > 0 ? "  " : "", part[i]);
    }
}
