/* Pictures stay small however much there is to show, and keep what stands out. */
#include "analyze/picture_share.h"
#include "analyze/prediction.h"
#include "analyze/push_motion.h"
#include "analyze/report/figure.h"
#include "analyze/run_result.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define BYTES_MAX (300 * 1024)
#define ROWS      1000000
#define SPIKE_N   123.25
#define SPIKE_AT  617283

TestSuite(figure_size, .init = scratch_begin, .fini = scratch_end);

/* Draw a figure that was made; both the picture and what goes into the page stay small. The picture; freed by
 * the caller. */
static char *drawn(struct figure *f)
{
    struct err e = {0};
    struct stat info;
    char folder[600], name[120], *page = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&page, &length);
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    snprintf(name, sizeof name, "%s.gp", f->name);
    scratch_write(name, f->script);
    snprintf(name, sizeof name, "%s.csv", f->name);
    scratch_write(name, f->data);
    cr_assert_eq(figure_draw(folder, f, &e), ERR_OK, "%s", e.text);
    snprintf(name, sizeof name, "%s.svg", f->name);
    cr_assert_eq(stat(scratch_path(name), &info), 0);
    cr_expect_lt(info.st_size, BYTES_MAX, "%s has %ld bytes", f->name, (long)info.st_size);
    cr_assert_eq(figure_put(folder, f, out, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(fclose(out), 0);
    cr_expect_lt(length, BYTES_MAX, "%s has %zu bytes in the page", f->name, length);
    return page;
}

static double after(const char *script, const char *word)
{
    const char *at = strstr(script, word);
    cr_assert_not_null(at, "no %s", word);
    return strtod(at + strlen(word), NULL);
}

/* A spike of a single reading in a run of a million rows. */
static void take_spike(struct session *s, size_t run)
{
    static struct run_finding found;
    static double feed_mm[ROWS], force_n[ROWS];
    struct push_motion m = {.n = ROWS, .feed_mm = feed_mm, .force_n = force_n};
    struct err e = {0};
    memset(&found, 0, sizeof found);
    for (size_t i = 0; i < ROWS; i++) {
        feed_mm[i] = 12.0 * (double)i / ROWS;
        force_n[i] = fmin(71, 13 * feed_mm[i]) + 0.3 * sin(0.731 * (double)i);
    }
    force_n[SPIKE_AT] = SPIKE_N;
    push_motion_picture(&m, &found.push.picture);
    cr_assert_eq(run_result_keep(&s->runs[run], &found, PICTURE_SHARE_COLUMNS / PICTURE_SHARE_PANELS_MAX,
                                 &s->store, &e),
                 ERR_OK);
}

Test(figure_size, spike_of_one_reading_in_a_million_is_in_table_and_picture)
{
    struct session *s = fixture_session(false);
    struct figure f = {.kind = FIGURE_PUSH, .feeder = 0, .name = "push-1"};
    struct err e = {0};
    size_t first = 0;
    while (s->runs[first].feeder != 0 || !picture_share_wanted(s, &s->runs[first]))
        first++;
    take_spike(s, first);
    cr_assert_eq(page_figure(s, &f, &e), ERR_OK, "%s", e.text);
    cr_expect_not_null(strstr(f.data, ",123.25\n"), "not in the table");
    /* Where a point of that force stands in the first panel: from the script's own margins and range. */
    double height = after(f.script, "set terminal svg noenhanced size 960,"),
           top = after(f.script, "tmargin at screen "), bottom = after(f.script, "bmargin at screen "),
           low = after(f.script, "set yrange [");
    double high = strtod(strchr(strstr(f.script, "set yrange ["), ':') + 1, NULL);
    double left = 960 * after(f.script, "lmargin at screen "),
           right = 960 * after(f.script, "rmargin at screen ");
    double wide_mm = strtod(strchr(strstr(f.script, "set xrange [0"), ':') + 1, NULL);
    double x = left + (right - left) * 12.0 * SPIKE_AT / ROWS / wide_mm;
    double y = height * (1 - (bottom + (SPIKE_N - low) / (high - low) * (top - bottom)));
    char *picture = drawn(&f);
    bool seen = false;
    for (const char *p = picture; !seen && (p = strchr(p, ',')) != NULL; p++) {
        const char *begin = p;
        while (begin > picture && strchr("0123456789.", begin[-1]) != NULL)
            begin--;
        seen = fabs(strtod(p + 1, NULL) - y) < 1 && fabs(strtod(begin, NULL) - x) < 3;
    }
    cr_expect(seen, "no point near %.1f,%.1f", x, y);
    free(picture);
    figure_unmake(&f);
    fixture_session_free(s);
}

#define MANY_FEEDERS 24
#define MANY_SPEEDS  10
#define MANY_RUNS    6000

/* Far more of everything than fits: runs of many feeders at many speeds, every other one a lower bound. */
static struct session *many(void)
{
    struct session *s = fixture_session(false);
    struct run_record *records = calloc(MANY_RUNS, sizeof *records);
    struct run_result *runs = calloc(MANY_RUNS, sizeof *runs);
    struct feeder_result *feeders = calloc(MANY_FEEDERS, sizeof *feeders);
    cr_assert(records != NULL && runs != NULL && feeders != NULL);
    for (size_t i = 0; i < MANY_FEEDERS; i++) {
        feeders[i] = s->feeders[i % 3];
        snprintf(feeders[i].name, sizeof feeders[i].name, "a feeder with a rather long name number %zu",
                 i + 1);
        feeders[i].point_count = MANY_SPEEDS;
        for (size_t k = 0; k < MANY_SPEEDS; k++) {
            feeders[i].points[k] = s->feeders[i % 3].points[k % 3];
            feeders[i].points[k].speed_mm_s = 2.5 * (double)(k + 1);
        }
    }
    for (size_t i = 0; i < MANY_RUNS; i++) {
        static struct run_finding found;
        struct push_result *p = &found.push;
        memset(&found, 0, sizeof found);
        records[i] = s->series[0]->runs[0];
        records[i].number = (int)i + 1;
        records[i].block = (int)(i / MANY_FEEDERS / MANY_SPEEDS);
        records[i].speed_mm_s = 2.5 * (double)(i / MANY_FEEDERS % MANY_SPEEDS + 1);
        runs[i].record = &records[i];
        runs[i].feeder = i % MANY_FEEDERS;
        double force_n = 60 + 17 * sin(0.811 * (double)i);
        p->stall_force_n = i % 2 == 0 ? quantity_from(force_n, 0.4, 9, 8) : quantity_at_least(force_n);
        p->slip_onset_n = quantity_from(force_n / 2, 0.8, 9, 1);
        p->picture.n = PUSH_PICTURE_COLUMNS;
        for (size_t k = 0; k < PUSH_PICTURE_COLUMNS; k++) {
            p->picture.feed_mm[k] = 0.0217 * (double)k;
            p->picture.force_low_n[k] = fabs(60 * sin(0.37 * (double)k)) - 3.1;
            p->picture.force_high_n[k] = p->picture.force_low_n[k] + 5.3;
        }
        for (; p->event_count < PUSH_EVENTS_MAX; p->event_count++)
            p->events[p->event_count] = (struct push_event){0.02 * (double)p->event_count, 61.7, 42.9};
        bool shown = i < 10000 && records[i].speed_mm_s == 10;
        cr_assert_eq(run_result_keep(&runs[i], &found,
                                     shown ? PICTURE_SHARE_COLUMNS / PICTURE_SHARE_PANELS_MAX : 0, &s->store,
                                     NULL),
                     ERR_OK);
    }
    for (size_t i = 0; i < s->run_count; i++)
        run_result_free(&s->runs[i]);
    free(s->runs);
    free(s->series[0]->runs);
    free(s->feeders);
    s->runs = runs;
    s->series[0]->runs = records;
    s->feeders = feeders;
    s->run_count = s->series[0]->run_count = MANY_RUNS;
    s->feeder_count = MANY_FEEDERS;
    s->reference_speed_mm_s = 10;
    return s;
}

/* A motor for all of them. */
static void predict(struct session *s)
{
    static const struct session_motor motor = {
        .file = "motor.yaml",
        .text = "nipbench_motor: 1\nfull_steps_per_rev: 200\nholding_torque_nm: 0.23\nrated_current_a: 1\n"
                "phase_resistance_ohm: 4\nphase_inductance_h: 0.2\nset_current_a: 1\ncurrent_is: peak\n"
                "supply_v: 24\nefficiency: 0.95\nend: true\n"};
    const struct session_options options = {.motors = &motor, .motor_count = 1};
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(prediction_read_motors(s, &options, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(prediction_all(s, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(s->prediction_count, MANY_FEEDERS);
}

Test(figure_size, every_picture_stays_small_with_many_runs_feeders_and_events)
{
    struct session *s = many();
    struct figures figures;
    struct err e = {0};
    bool predicted = false;
    predict(s);
    double least = 60 - 17, greatest = 60 + 17;
    cr_assert_eq(page_figures(s, &figures, &e), ERR_OK, "%s", e.text);
    cr_assert_gt(figures.count, MANY_FEEDERS);
    for (size_t i = 0; i < figures.count; i++) {
        struct figure *f = &figures.figure[i];
        /* Figures of pushes are alike: two tell of all. */
        if (f->kind == FIGURE_PUSH && f->feeder > 1)
            continue;
        free(drawn(f));
        if (f->kind == FIGURE_PREDICTION) {
            predicted = true;
            cr_expect_not_null(strstr(f->description, " The first 16 of 24 feeders are drawn."), "%s",
                               f->description);
        }
        if (f->kind != FIGURE_STALL)
            continue;
        cr_expect_not_null(strstr(f->description, " of 6000 runs have a mark"), "%s", f->description);
        double low = INFINITY, high = -INFINITY;
        for (const char *p = f->data; (p = strstr(p, "\nrun")) != NULL; p++) {
            const char *value = p;
            for (int comma = 0; comma < 5; comma++)
                value = strchr(value, ',') + 1;
            low = fmin(low, strtod(value, NULL));
            high = fmax(high, strtod(value, NULL));
        }
        cr_expect(low < least + 0.01 && high > greatest - 0.01, "%g to %g", low, high);
    }
    cr_expect(predicted);
    figures_free(&figures);
    prediction_forget(s);
    fixture_session_free(s);
}
