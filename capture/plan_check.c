#include "capture/plan_check.h"

#include "capture/bench_setup.h"
#include "datasets/format/calibration.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define PI 3.14159265358979323846
/* A load line of three parameters takes so many rates, and a fade so many pushes, as the analysis has it. */
#define RATES_LEAST  4u
#define PUSHES_LEAST 4
/* Below, even a large difference is lost in what is not known of the scatter (common practice, no source). */
#define BLOCKS_LEAST 5
/* A run's record, and what the descriptor says of its two files, as they are written. */
#define RECORD_BYTES     3000.0
#define DESCRIPTOR_BYTES 2600.0
/* Of a row: a force and an encoder reading as rigs give them, one digit of flags, four commas, a line feed.
 */
#define FORCE_DIGITS   6.0
#define ENCODER_DIGITS 4.0
#define OTHER_BYTES    6.0

void plan_check_say(struct plan_check_lines *lines, const char *format, ...)
{
    va_list arguments;
    if (lines->count++ >= PLAN_CHECK_LINES_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(lines->text[lines->count - 1], PLAN_CHECK_LINE_SIZE, format, arguments);
    va_end(arguments);
    err_clean_text(lines->text[lines->count - 1]);
}

const char *plan_check_number(double value, char buffer[PLAN_CHECK_NUMBER_SIZE])
{
    snprintf(buffer, PLAN_CHECK_NUMBER_SIZE, value < 999.5 ? "%.3g" : "%.0f", value);
    return buffer;
}

/* What is asked before a run, thing by thing, counted. */
static void count_asked(struct plan_check *check, const char *what, size_t length)
{
    struct plan_check_asked *asked;
    char text[sizeof asked->what];
    snprintf(text, sizeof text, "%.*s", length > sizeof text ? (int)sizeof text : (int)length, what);
    err_clean_text(text);
    for (size_t i = 0; i < check->asked_count; i++) {
        if (strcmp(check->asked[i].what, text) == 0) {
            check->asked[i].times++;
            return;
        }
    }
    if (check->asked_count == PLAN_CHECK_ASKED_MAX)
        return;
    asked = &check->asked[check->asked_count++];
    memcpy(asked->what, text, sizeof text);
    asked->times = 1;
}

/* As people read: "set the brake to 8 N" before "set the brake to 16 N". */
static int by_words(const void *a, const void *b)
{
    return strverscmp(((const struct plan_check_asked *)a)->what, ((const struct plan_check_asked *)b)->what);
}

/* The lines of `run' are "Block 1: this; that". Descriptions of feeders, in which anything may stand, are
 * left out of them. */
static enum err_code list_asked(struct plan_check *check, struct err *e)
{
    struct plan *plain = malloc(sizeof *plain);
    struct bench_setup bench;
    if (plain == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    *plain = check->plan;
    for (size_t i = 0; i < plain->feeder_count; i++)
        plain->feeders[i].description[0] = 0;
    bench_setup_init(&bench, plain, check->order, check->runs);
    for (size_t i = 0; i < check->runs; i++) {
        char text[BENCH_SETUP_TEXT_MAX];
        const char *thing;
        if (!bench_setup_change(&bench, i, text, sizeof text))
            continue;
        thing = strstr(text, ": ");
        thing = thing == NULL ? text : thing + 2;
        while (*thing != 0) {
            const char *end = strstr(thing, "; ");
            count_asked(check, thing, end == NULL ? strlen(thing) : (size_t)(end - thing));
            thing = end == NULL ? thing + strlen(thing) : end + 2;
        }
    }
    free(plain);
    qsort(check->asked, check->asked_count, sizeof check->asked[0], by_words);
    return ERR_OK;
}

/* Digits of a whole number that rises evenly from 0 to most, on average. */
static double mean_digits(double most)
{
    double digits = 1;
    for (double power = 10; power < most; power *= 10)
        digits += 1 - power / most;
    return digits;
}

static void measure_runs(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    plan_time_series(p, check->order, check->runs, &check->time);
    for (size_t i = 0; i < check->runs; i++) {
        const struct plan_run *run = &check->order[i];
        const struct plan_feeder *f = &p->feeders[run->feeder];
        double run_s = plan_time_run_s(p, run), rows = run_s * p->sample_rate_hz;
        double steps = p->tests[run->test].travel_mm * f->full_steps_per_rev * f->microsteps * f->reduction /
                       (PI * f->drive_diameter_mm);
        check->longest_s = fmax(check->longest_s, run_s - p->rest_before_s - p->rest_after_s);
        check->longest_mm = fmax(check->longest_mm, p->tests[run->test].travel_mm);
        check->rows += rows;
        check->disk_bytes += RECORD_BYTES + DESCRIPTOR_BYTES +
                             rows * (mean_digits(run_s * 1e6) + mean_digits(steps) + FORCE_DIGITS +
                                     ENCODER_DIGITS + OTHER_BYTES);
    }
}

double plan_check_hands_s(const struct plan_check *check)
{
    return 60 * (check->time.mountings * check->request.mount_minutes +
                 check->time.changes * check->request.change_minutes);
}

double plan_check_feed_g(const struct plan_check *check, size_t feeder)
{
    const struct conditions *c = &check->plan.feeders[feeder].conditions;
    double diameter_cm = c->number[CONDITION_FILAMENT_DIAMETER_MM] / 10;
    if (!c->stated[CONDITION_FILAMENT_DIAMETER_MM])
        return NAN;
    return check->time.feed_mm[feeder] / 10 * PI / 4 * diameter_cm * diameter_cm *
           check->request.density_g_cm3;
}

void plan_check_settings(const struct plan_check *check, const struct plan_run *run, char *text, size_t size)
{
    static const enum condition_id SET[] = {CONDITION_BRAKE_LOAD_N, CONDITION_NIP_PRELOAD_N,
                                            CONDITION_HOT_END_TEMPERATURE_C, CONDITION_GUIDE_TUBE_BEND_DEG};
    const struct plan_test *t = &check->plan.tests[run->test];
    size_t used = 0;
    text[0] = 0;
    for (size_t i = 0; i < sizeof SET / sizeof SET[0] && used < size; i++) {
        const struct condition_kind *kind = &CONDITION_KINDS[SET[i]];
        if (plan_test_sets(t->kind, SET[i]) && run->conditions.stated[SET[i]])
            used += (size_t)snprintf(text + used, size - used, "%s%s %g %s", used > 0 ? ", " : "",
                                     kind->label, run->conditions.number[SET[i]], kind->symbol);
    }
    if (run->repeat > 0 && used < size)
        used += (size_t)snprintf(text + used, size - used, "%srepeat %d", used > 0 ? ", " : "", run->repeat);
    if (run->clean_before && used < size)
        snprintf(text + used, size - used, ", gear cleaned before");
}

/* A warning of `run' that is about a whole test says that it has no answer; so has a loaded-feed without
 * encoder, and a melt-push without temperature. A free run still tells of drift and noise. */
static void take_warning(void *context, const char *text)
{
    struct plan_check *check = context;
    bool hopeless = strncmp(text, "melt-push:", 10) == 0 || strncmp(text, "loaded-feed:", 12) == 0;
    plan_check_say(hopeless ? &check->no : &check->warnings, "%s", text);
}

static void judge_tests(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    for (size_t i = 0; i < p->test_count; i++) {
        const struct plan_test *t = &p->tests[i];
        const char *name = PLAN_TEST_NAMES[t->kind];
        if (t->kind == PLAN_MELT_PUSH && t->rate_count < RATES_LEAST)
            plan_check_say(&check->no, "%s: a load line takes %u different rates or more, not %zu", name,
                           RATES_LEAST, t->rate_count);
        else if (t->kind == PLAN_PRELOAD_SWEEP && t->nip_preload_count < 2)
            plan_check_say(&check->no, "%s: a grip coefficient takes two preloads or more", name);
        else if (t->kind == PLAN_PRELOAD_SWEEP && t->nip_preload_count < 5)
            plan_check_say(&check->warnings,
                           "%s: with %zu preloads it can hardly be told where more preload stops helping; "
                           "five are better",
                           name, t->nip_preload_count);
        else if (t->kind == PLAN_ENDURANCE && t->repeats * p->blocks < PUSHES_LEAST)
            plan_check_say(&check->no, "%s: %d pushes are too few to tell a fade", name,
                           t->repeats * p->blocks);
        else if (t->kind == PLAN_SPEED_SWEEP && t->speed_count < 2)
            plan_check_say(&check->warnings, "%s: with a single speed no curve over speed can be given",
                           name);
    }
}

static void judge_blocks(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    if (p->blocks == 1 && p->feeder_count > 1)
        plan_check_say(&check->no,
                       "1 block: each feeder is mounted only once, so nothing tells a difference between "
                       "feeders from the scatter between mountings; 2 blocks are the least, 5 are better");
    else if (p->blocks == 1)
        plan_check_say(
            &check->warnings,
            "1 block: the feeder is mounted only once, so the scatter between mountings stays unknown");
    else if (p->blocks < BLOCKS_LEAST && p->feeder_count > 1)
        plan_check_say(&check->warnings,
                       "%d blocks: the scatter itself is hardly known from so few; 5 are common practice",
                       p->blocks);
}

/* Path of the calibration, which stands in the plan relative to its folder; false when it is too long. */
static bool find_calibration(const struct plan_check *check, char *path, size_t size)
{
    const char *plan = check->request.path;
    const char *named = check->plan.calibration;
    const char *slash = strrchr(plan, '/');
    int folder = slash != NULL && named[0] != '/' ? (int)(slash - plan) + 1 : 0;
    return snprintf(path, size, "%.*s%s", folder, plan, named) < (int)size;
}

static void judge_feeds(struct plan_check *check, const struct calibration *c)
{
    char names[PLAN_FEEDERS_MAX * (PLAN_NAME_MAX + 2) + 1] = "";
    size_t used = 0;
    for (size_t i = 0; i < check->plan.feeder_count; i++) {
        bool measured = false;
        for (size_t k = 0; k < c->feed_count; k++)
            measured = measured || strcmp(c->feeds[k].feeder, check->plan.feeders[i].name) == 0;
        if (!measured)
            used += (size_t)snprintf(names + used, sizeof names - used, "%s%s", used > 0 ? ", " : "",
                                     check->plan.feeders[i].name);
    }
    if (used > 0)
        plan_check_say(&check->before,
                       "The feed of %s is not in the calibration: the diameter that the plan states is taken "
                       "for it. `measure-feed` makes it sure.",
                       names);
}

/* Whether there is an encoder, as far as the calibration tells: where it tells nothing, yes. */
static bool judge_calibration(struct plan_check *check)
{
    const struct plan *p = &check->plan;
    struct calibration *c = malloc(sizeof *c);
    char path[1024], why[160];
    struct stat status;
    struct err e;
    bool encoder = true;
    if (c == NULL || !find_calibration(check, path, sizeof path)) {
        free(c);
        return true;
    }
    if (stat(path, &status) != 0)
        plan_check_say(&check->before,
                       "%s, which the plan names as the calibration, is not there yet: `weigh`, then "
                       "`nipbench-analyze calibrate` make it.",
                       path);
    else if (calibration_read(path, c, &e) != ERR_OK)
        plan_check_say(&check->before, "`run` will refuse the calibration %s: %.300s.", path, e.text);
    else {
        encoder = c->encoder_mm_per_count != 0;
        if (!plan_allows_calibration(p, c->date, check->request.now_s, why, sizeof why))
            plan_check_say(&check->before, "`run` will refuse the calibration %s: it %s.", path, why);
        if (p->force_limit_n > c->load_high_n)
            plan_check_say(&check->warnings,
                           "the force limit of %g N is above what the load cell is calibrated for, %g N: "
                           "forces beyond that are flagged",
                           p->force_limit_n, c->load_high_n);
        judge_feeds(check, c);
    }
    free(c);
    return encoder;
}

static enum err_code work_out(struct plan_check *check, struct err *e)
{
    struct bench_setup bench;
    enum err_code code = plan_read(check->request.path, &check->plan, e);
    if (code == ERR_OK)
        code = plan_example_read(check->request.path, &check->example, e);
    if (code != ERR_OK)
        return code;
    check->runs = plan_order(&check->plan, check->order);
    measure_runs(check);
    code = list_asked(check, e);
    if (code != ERR_OK)
        return code;
    bench_setup_init(&bench, &check->plan, check->order, check->runs);
    bench_setup_warn(&bench, judge_calibration(check), take_warning, check);
    judge_tests(check);
    judge_blocks(check);
    plan_check_see(check);
    if (check->plan.licence[0] == 0)
        plan_check_say(&check->before, "The plan states no licence: without it nobody may use the data.");
    if (check->plan.contributor_count == 0)
        plan_check_say(&check->before, "The plan states no contributors: nobody can be cited for the data.");
    return ERR_OK;
}

enum err_code plan_check_work_out(const struct plan_check_request *request, struct plan_check **check,
                                  struct err *e)
{
    struct plan_check *made = calloc(1, sizeof *made);
    enum err_code code = ERR_MEMORY;
    *check = NULL;
    if (made != NULL)
        made->order = calloc(PLAN_RUNS_MAX, sizeof *made->order);
    if (made == NULL || made->order == NULL) {
        err_set(e, ERR_MEMORY, "out of memory");
    } else {
        made->request = *request;
        code = work_out(made, e);
    }
    if (code != ERR_OK) {
        plan_check_free(made);
        return code;
    }
    *check = made;
    return ERR_OK;
}

void plan_check_free(struct plan_check *check)
{
    if (check != NULL)
        free(check->order);
    free(check);
}

enum err_code plan_check_judge(const struct plan_check *check, struct err *e)
{
    if (check->example.count > 0)
        return err_set_at(e, ERR_NO_ANSWER, check->request.path, 0, 0,
                          "still the example in %zu %s; 'run' refuses it", check->example.count,
                          check->example.count == 1 ? "line" : "lines");
    if (check->no.count > 0)
        return err_set_at(e, ERR_NO_ANSWER, check->request.path, 0, 0,
                          "the plan cannot answer what it asks: %.400s", check->no.text[0]);
    return ERR_OK;
}
