/* A reading session: series opened, runs analysed on all cores, feeders summed up and compared. */
#include "analyze/analysis.h"

#include "analyze/bench_test.h"
#include "analyze/comparison.h"
#include "analyze/comparison_resample.h"
#include "analyze/comparison_size.h"
#include "analyze/operating_chart.h"
#include "analyze/picture_share.h"
#include "analyze/prediction.h"
#include "analyze/result_flags.h"
#include "analyze/run_quality.h"
#include "analyze/run_result.h"
#include "analyze/speed_sweep.h"
#include "datasets/format/kept.h"
#include "datasets/format/series_calibration.h"

#include <malloc.h>
#include <math.h>
#include <pthread.h>
#include <sched.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define THREADS_MAX 64

/* So few that little of malloc's stock comes to lie about, and so many that the start of a thread is nothing
 * beside them. */
#define RUNS_OF_A_THREAD 8

/* What a run takes beside its rows, counted in rows: files opened, fits begun. */
#define RUN_EFFORT_ROWS 2000

/* When a run is analysed: the longest first. So the last to be at work have little of it left; and what the
 * threads need at most together they need at the beginning, however many runs come after. */
struct turn {
    uint64_t effort_rows;
    size_t run;
};

struct work {
    struct session *session;
    struct turn *turns; /* one for each run */
    int read_threads;   /* for reading one run */
    sem_t places_free;
    atomic_size_t next; /* turn */
    atomic_bool failed;
    pthread_mutex_t lock;       /* of all below, and of the session's store */
    struct picture_share share; /* which runs hold a picture */
    struct err error;           /* of the lowest run that could not be read */
    size_t error_run;
};

/* As many as are asked for; 0: as there are cores. */
static int threads_of(int asked)
{
    int threads = asked > 0 ? asked : (int)sysconf(_SC_NPROCESSORS_ONLN);
    return threads < THREADS_MAX ? threads : THREADS_MAX;
}

static void fail(struct work *work, size_t i, const struct err *e)
{
    pthread_mutex_lock(&work->lock);
    if (!work->failed || i < work->error_run) {
        work->error = *e;
        work->error_run = i;
    }
    work->failed = true;
    pthread_mutex_unlock(&work->lock);
}

/* What of a run is of use later; the rest of found is forgotten with the next run. */
static enum err_code keep(struct work *work, size_t i, struct run_finding *found, struct err *e)
{
    struct run_result *run = &work->session->runs[i];
    enum err_code code;
    pthread_mutex_lock(&work->lock);
    code = run_result_keep(run, found, picture_share_of(&work->share, work->session, i),
                           &work->session->store, e);
    if (code == ERR_OK && run->push.picture != NULL)
        picture_share_take(&work->share, work->session, i);
    pthread_mutex_unlock(&work->lock);
    return code;
}

static uint64_t effort_rows(const struct run_result *run)
{
    return RUN_EFFORT_ROWS + (run->record->rows > 0 ? (uint64_t)run->record->rows : 0);
}

/* Runs as long as each other in their own order. */
static int compare_turns(const void *a, const void *b)
{
    const struct turn *x = a, *y = b;
    if (x->effort_rows != y->effort_rows)
        return x->effort_rows < y->effort_rows ? 1 : -1;
    return (x->run > y->run) - (x->run < y->run);
}

/* Whose turn it is when, and the effort of all; NULL without memory. */
static struct turn *take_turns(const struct session *s, uint64_t *effort)
{
    struct turn *turns = malloc((s->run_count + 1) * sizeof *turns);
    *effort = 0;
    if (turns == NULL)
        return NULL;
    for (size_t i = 0; i < s->run_count; i++) {
        turns[i] = (struct turn){effort_rows(&s->runs[i]), i};
        *effort += turns[i].effort_rows;
    }
    qsort(turns, s->run_count, sizeof *turns, compare_turns);
    return turns;
}

/* found: what one run comes to, zeroed. */
static void analyse_run(struct work *work, size_t i, struct run_finding *found)
{
    struct run_result *run = &work->session->runs[i];
    const struct series *series = work->session->series[run->series];
    struct run_columns columns = {0};
    struct run_quality quality;
    struct err e = {0};
    enum err_code code;
    if (run->record->ended == RUN_INTERRUPTED || run->record->ended == RUN_FAULT) {
        char why_not[200];
        snprintf(why_not, sizeof why_not, "%s: %.150s", RUN_END_NAMES[run->record->ended],
                 kept_text_or_empty(run->record->ended_why));
        if (run_result_refuse(run, why_not, &e) != ERR_OK)
            fail(work, i, &e);
        return;
    }
    code = series_read_run_threads(series, (size_t)(run->record - series->runs), work->read_threads, &columns,
                                   &e);
    if (code != ERR_OK) {
        fail(work, i, &e);
        return;
    }
    struct push_settings settings = push_budget_settings(&series->plan);
    code = bench_test_run(&columns, run->record, &series->calibration, &settings, found, &e);
    quality = run_quality_of(&columns, run->record, &series->calibration);
    quality.zero_seen_after = code == ERR_OK && found->push.zero_seen_after;
    run_columns_free(&columns);
    if (run->record->repeated_by > 0 && (code == ERR_OK || code == ERR_NO_ANSWER)) {
        /* It counts no more, but what it fed has gone over the gear. */
        char why_not[200];
        snprintf(why_not, sizeof why_not, "repeated by the operator as run %d, which counts in its place",
                 run->record->repeated_by);
        code = run_result_refuse(run, why_not, &e);
        run->fed_mm = found->fed_mm;
    } else if (code == ERR_OK) {
        result_flags_run(&found->push, run->record, series);
        code = keep(work, i, found, &e);
    } else if (code == ERR_NO_ANSWER) {
        char why_not[200];
        snprintf(why_not, sizeof why_not, "%.190s", e.text);
        code = run_result_refuse(run, why_not, &e);
        run->fed_mm = found->fed_mm;
    }
    if (code != ERR_OK)
        fail(work, i, &e);
    run->quality = quality;
    free(found->trace.x);
    free(found->trace.y);
}

/* A place for one thread at a time. */
struct place {
    struct work *work;
    pthread_t thread;
    pthread_attr_t attributes; /* the core that it keeps to, where each place has one */
    bool begun;                /* there is a thread to be joined */
    atomic_bool ended;         /* it has nothing more to do */
};

static void *analyse_some(void *argument)
{
    struct place *place = argument;
    struct work *work = place->work;
    struct run_finding *found = malloc(sizeof *found);
    size_t i;
    if (found == NULL) {
        struct err e = {0};
        err_set(&e, ERR_MEMORY, "not enough memory to analyse a run");
        fail(work, 0, &e);
    }
    for (int k = 0; k < RUNS_OF_A_THREAD && (i = atomic_fetch_add(&work->next, 1)) < work->session->run_count;
         k++) {
        const struct turn *turn = &work->turns[i];
        if (found != NULL) {
            *found = (struct run_finding){.quantity_count = 0};
            analyse_run(work, turn->run, found);
        }
        progress_add(work->session->progress, 1, turn->effort_rows);
    }
    free(found);
    atomic_store(&place->ended, true);
    sem_post(&work->places_free);
    return NULL;
}

/* Wait for a place and clear it. */
static struct place *free_place(struct work *work, struct place *places)
{
    struct place *place = places;
    while (sem_wait(&work->places_free) != 0) {
    }
    while (!atomic_load(&place->ended))
        place++;
    if (place->begun)
        pthread_join(place->thread, NULL);
    place->begun = false;
    return place;
}

/* Each place gets a core of its own, where there are as many that this process may use: a thread that begins,
 * or goes on after a wait, is otherwise put where another one is at work often enough, and stays there for
 * tens of milliseconds while a core has nothing to do. Threads that help with the reading of a run would come
 * to the same core: then places have none. */
static void place_on_cores(const struct work *work, struct place *places, int threads)
{
    cpu_set_t all, one;
    bool each =
        work->read_threads == 1 && sched_getaffinity(0, sizeof all, &all) == 0 && CPU_COUNT(&all) == threads;
    int core = 0;
    for (int i = 0; i < threads; i++) {
        pthread_attr_init(&places[i].attributes);
        if (!each)
            continue;
        while (!CPU_ISSET(core, &all))
            core++;
        CPU_ZERO(&one);
        CPU_SET(core++, &one);
        pthread_attr_setaffinity_np(&places[i].attributes, sizeof one, &one);
    }
}

/* By that many threads at a time. One begins with malloc's stock of small pieces empty, and gives it back
 * when its few runs are done. If it went on it would keep some hundreds of them, and they come to lie between
 * the large arrays of all its runs: what is free between them is too small for the arrays of the next run,
 * and memory grows with the runs by half of what is kept of them. */
static void share_out(struct work *work, int threads)
{
    struct place places[THREADS_MAX] = {0};
    pthread_mutex_init(&work->lock, NULL);
    sem_init(&work->places_free, 0, (unsigned)threads);
    for (int i = 0; i < threads; i++) {
        places[i].work = work;
        places[i].ended = true;
    }
    place_on_cores(work, places, threads);
    while (atomic_load(&work->next) < work->session->run_count) {
        struct place *place = free_place(work, places);
        place->ended = false;
        place->begun = pthread_create(&place->thread, &place->attributes, analyse_some, place) == 0;
        if (!place->begun)
            analyse_some(place);
    }
    for (int i = 0; i < threads; i++)
        free_place(work, places)->ended = false;
    for (int i = 0; i < threads; i++)
        pthread_attr_destroy(&places[i].attributes);
    sem_destroy(&work->places_free);
    pthread_mutex_destroy(&work->lock);
}

static enum err_code analyse_runs(struct session *s, int threads, struct err *e)
{
    struct work work = {.session = s};
    uint64_t effort;
    enum err_code code = run_store_begin(&s->store, s->run_count, e);
    if (code == ERR_OK)
        code = picture_share_begin(&work.share, s, e);
    if (code != ERR_OK)
        return code;
    work.turns = take_turns(s, &effort);
    if (work.turns == NULL) {
        picture_share_end(&work.share);
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", s->run_count);
    }
    threads = threads_of(threads);
    /* Few runs leave threads over, and those help with the reading. */
    work.read_threads = s->run_count > 0 && s->run_count < (size_t)threads ? threads / (int)s->run_count : 1;
    progress_begin(s->progress, "analysing runs", s->run_count, effort);
    share_out(&work, threads);
    free(work.turns);
    picture_share_end(&work.share);
    run_store_end(&s->store);
    for (size_t i = 0; i < s->run_count; i++)
        run_result_settle(&s->runs[i]);
    /* Fits of every run took memory and gave it back in small pieces, in each thread. It would stay beside
     * what the sums and the report take, although nobody needs it any more. */
    malloc_trim(0);
    if (work.failed) {
        if (e != NULL)
            *e = work.error;
        return work.error.code;
    }
    return ERR_OK;
}

/* The first speed at which a plan has blocked pushes, of the first series that has any; the first speed of
 * the first plan where none has. */
static double reference_speed_mm_s(const struct session *s)
{
    for (size_t k = 0; k < s->series_count; k++) {
        const struct plan *plan = &s->series[k]->plan;
        for (size_t i = 0; i < plan->test_count; i++) {
            if (plan->tests[i].speed_count > 0 && bench_test_is_plain_push(plan->tests[i].kind))
                return plan->tests[i].speeds_mm_s[0];
        }
    }
    return s->series_count > 0 ? s->series[0]->plan.tests[0].speeds_mm_s[0] : 0;
}

static enum err_code open_series(struct session *s, const char *const *folders, size_t count,
                                 const struct session_options *options, struct err *e)
{
    size_t runs = 0;
    s->series = calloc(count + 1, sizeof(struct series *));
    if (s->series == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu series", count);
    progress_begin(s->progress, "opening series", count, count);
    for (size_t i = 0; i < count; i++) {
        enum err_code code = series_open_threads(folders[i], threads_of(options->threads), &s->series[i], e);
        if (code != ERR_OK)
            return code;
        s->series_count = i + 1;
        /* Twice the same runs would pass for twice as many. */
        for (size_t j = 0; j < i; j++) {
            if (strcmp(s->series[j]->package_hash, s->series[i]->package_hash) == 0)
                return err_set_at(e, ERR_USAGE, folders[i], 0, 0, "is the same series as %.200s", folders[j]);
        }
        if (options->calibrations != NULL && options->calibrations[i] != NULL) {
            code = series_calibration_use(s->series[i], options->calibrations[i], e);
            if (code != ERR_OK)
                return code;
        }
        runs += s->series[i]->run_count;
        s->simulated = s->simulated || s->series[i]->simulated;
        progress_add(s->progress, 1, 1);
    }
    s->margin = options->margin;
    memcpy(s->accept, options->accept, sizeof s->accept);
    memcpy(s->matters, options->matters, sizeof s->matters);
    s->matter_count = options->matter_count;
    s->reference_speed_mm_s = reference_speed_mm_s(s);
    s->runs = calloc(runs + 1, sizeof *s->runs);
    if (s->runs == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", runs);
    for (size_t i = 0; i < count; i++) {
        for (size_t j = 0; j < s->series[i]->run_count; j++)
            s->runs[s->run_count++] = (struct run_result){.series = i, .record = &s->series[i]->runs[j]};
    }
    return ERR_OK;
}

/* Those of the run, with what its test sets itself taken from the plan. */
static struct conditions standing_conditions(const struct run_record *run, const struct plan_feeder *feeder)
{
    struct conditions c = *run_record_conditions(run);
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (!plan_test_sets(run->test, (enum condition_id)i))
            continue;
        c.stated[i] = feeder->conditions.stated[i];
        c.number[i] = feeder->conditions.number[i];
    }
    return c;
}

/* Take one more run's conditions into the range of the feeder's; false without memory. */
static bool widen_conditions(struct feeder_result *f, const struct conditions *other)
{
    struct condition_difference differences[CONDITION_COUNT];
    const double exact[CONDITION_COUNT] = {0};
    if (f->conditions_range == NULL) {
        if (conditions_compare(&f->conditions, other, exact, differences) == 0)
            return true;
        f->conditions_range = calloc(2, sizeof *f->conditions_range);
        if (f->conditions_range == NULL)
            return false;
        f->conditions_range[0] = f->conditions_range[1] = f->conditions;
    }
    conditions_widen(&f->conditions_range[0], &f->conditions_range[1], other);
    return true;
}

/* Feeders in the order in which the plans name them. A feeder of the same name in two series is two feeders:
 * they were measured on different occasions, and whether they agree is a question to ask, not to assume. */
static enum err_code name_feeders(struct session *s, struct err *e)
{
    for (size_t k = 0; k < s->run_count; k++) {
        const struct series *series = s->series[s->runs[k].series];
        size_t j = 0;
        while (j < series->plan.feeder_count &&
               strcmp(series->plan.feeders[j].name, s->runs[k].record->feeder) != 0)
            j++;
        if (j == series->plan.feeder_count)
            return err_set_at(e, ERR_FILE, series->folder, 0, 0, "run %d: the plan has no feeder '%s'",
                              s->runs[k].record->number, s->runs[k].record->feeder);
    }
    s->feeders = calloc(s->series_count * PLAN_FEEDERS_MAX + 1, sizeof *s->feeders);
    if (s->feeders == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the feeders");
    for (size_t i = 0; i < s->series_count; i++) {
        const struct plan *plan = &s->series[i]->plan;
        for (size_t j = 0; j < plan->feeder_count; j++) {
            struct feeder_result *f = &s->feeders[s->feeder_count];
            bool elsewhere = false, any = false;
            for (size_t k = 0; k < s->series_count; k++) {
                for (size_t l = 0; l < s->series[k]->plan.feeder_count; l++)
                    elsewhere = elsewhere || (k != i && strcmp(s->series[k]->plan.feeders[l].name,
                                                               plan->feeders[j].name) == 0);
            }
            f->series = i;
            if (elsewhere)
                snprintf(f->name, sizeof f->name, "%s (series %zu)", plan->feeders[j].name, i + 1);
            else
                snprintf(f->name, sizeof f->name, "%s", plan->feeders[j].name);
            snprintf(f->description, sizeof f->description, "%s", plan->feeders[j].description);
            f->conditions = plan->feeders[j].conditions;
            for (size_t k = 0; k < s->run_count; k++) {
                struct run_result *run = &s->runs[k];
                if (run->series != i || strcmp(run->record->feeder, plan->feeders[j].name) != 0)
                    continue;
                run->feeder = s->feeder_count;
                struct conditions standing = standing_conditions(run->record, &plan->feeders[j]);
                if (!any)
                    f->conditions = standing;
                else if (!widen_conditions(f, &standing))
                    return err_set(e, ERR_MEMORY, "not enough memory for the conditions");
                any = true;
            }
            if (f->conditions_range != NULL) {
                struct condition_difference differences[CONDITION_COUNT];
                f->conditions_vary = conditions_compare(&f->conditions_range[0], &f->conditions_range[1],
                                                        plan->tolerance, differences) > 0;
            }
            s->feeder_count++;
        }
    }
    return ERR_OK;
}

/* Kinds of test with an outcome among the runs. */
static size_t count_kinds(const struct run_result *const *runs, size_t count)
{
    bool met[PLAN_TEST_KINDS] = {false};
    size_t kinds = 0;
    for (size_t k = 0; k < count; k++) {
        enum plan_test_kind kind = runs[k]->record->test;
        kinds += !met[kind] && bench_test_has_outcome(kind);
        met[kind] = true;
    }
    return kinds;
}

/* One outcome for each kind of test among the runs (count of them, of one feeder). What cannot be answered is
 * no error of the session. */
static enum err_code sum_up_tests(struct session *s, struct feeder_result *f,
                                  const struct run_result *const *mine, size_t count,
                                  const struct push_settings *settings, struct err *e)
{
    const struct series *series = s->series[f->series];
    const struct bench_test_context context = {
        .plan = &series->plan, .calibration = &series->calibration, .settings = settings, .feeder = f};
    size_t kinds = count_kinds(mine, count);
    const struct run_result **of_kind;
    enum err_code code = ERR_OK;
    if (kinds == 0)
        return ERR_OK;
    of_kind = malloc(count * sizeof *of_kind);
    f->outcomes = calloc(kinds, sizeof *f->outcomes);
    if (of_kind == NULL || f->outcomes == NULL) {
        free(of_kind);
        return err_set(e, ERR_MEMORY, "not enough memory for the tests");
    }
    for (int kind = 0; code == ERR_OK && kind < PLAN_TEST_KINDS; kind++) {
        struct err why = {0};
        struct outcome *outcome = &f->outcomes[f->outcome_count];
        size_t n = 0;
        for (size_t k = 0; k < count; k++) {
            if (mine[k]->record->test == (enum plan_test_kind)kind)
                of_kind[n++] = mine[k];
        }
        if (n == 0 || !bench_test_has_outcome((enum plan_test_kind)kind))
            continue;
        f->outcome_count++;
        code = bench_test_sum_up((enum plan_test_kind)kind, of_kind, n, &context, outcome, &why);
        outcome->present = code == ERR_OK;
        if (code == ERR_NO_ANSWER) {
            snprintf(outcome->why_not, sizeof outcome->why_not, "%.230s", why.text);
            code = ERR_OK;
        } else if (code != ERR_OK && e != NULL) {
            *e = why;
        }
    }
    free(of_kind);
    return code;
}

static enum err_code sum_up_feeders(struct session *s, struct err *e)
{
    enum err_code code = ERR_OK;
    const struct run_result **mine = malloc((s->run_count + 1) * sizeof *mine);
    if (mine == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", s->run_count);
    progress_begin(s->progress, "summing up feeders", s->feeder_count, s->feeder_count);
    for (size_t i = 0; code == ERR_OK && i < s->feeder_count; i++) {
        struct feeder_result *f = &s->feeders[i];
        const struct calibration *calibration = &s->series[f->series]->calibration;
        size_t count = 0;
        for (size_t k = 0; k < s->run_count; k++) {
            if (s->runs[k].feeder == i && s->runs[k].series == f->series)
                mine[count++] = &s->runs[k];
        }
        struct push_settings settings = push_budget_settings(&s->series[f->series]->plan);
        speed_sweep_points(mine, count, calibration, &settings, f);
        speed_sweep_torque(mine, count, calibration, &settings, f);
        result_flags_feeder(f, mine, count, s->series[f->series]);
        f->reference = f->point_count;
        for (size_t k = 0; k < f->point_count; k++) {
            if (fabs(f->points[k].speed_mm_s - s->reference_speed_mm_s) <= 1e-6 * s->reference_speed_mm_s)
                f->reference = k;
        }
        code = sum_up_tests(s, f, mine, count, &settings, e);
        progress_add(s->progress, 1, 1);
    }
    free(mine);
    return code;
}

static enum err_code compare_feeders(struct session *s, struct err *e)
{
    enum err_code code;
    s->studentised = studentised_tables_new(COMPARISON_LEVEL);
    code = comparison_all(s, e);
    if (code == ERR_OK)
        comparison_sizes(s);
    studentised_tables_free(s->studentised);
    s->studentised = NULL;
    if (code == ERR_OK)
        code = comparison_resample(s, e);
    return code == ERR_OK ? result_flags_comparisons(s, e) : code;
}

enum err_code session_analyse(const char *const *folders, size_t count, int threads, struct session **session,
                              struct err *e)
{
    const struct session_options options = {.threads = threads, .margin = SESSION_MARGIN};
    return session_analyse_with(folders, count, &options, session, e);
}

enum err_code session_analyse_with(const char *const *folders, size_t count,
                                   const struct session_options *options, struct session **session,
                                   struct err *e)
{
    struct session *s = calloc(1, sizeof *s);
    enum err_code code;
    *session = NULL;
    quantity_init_numerics();
    if (s == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory");
    s->progress = options->progress;
    code = prediction_read_motors(s, options, e);
    if (code == ERR_OK)
        code = open_series(s, folders, count, options, e);
    if (code == ERR_OK)
        code = name_feeders(s, e);
    if (code == ERR_OK)
        code = prediction_check_motors(s, options, e);
    if (code == ERR_OK)
        code = analyse_runs(s, options->threads, e);
    if (code == ERR_OK)
        code = sum_up_feeders(s, e);
    if (code == ERR_OK)
        code = prediction_all(s, e);
    if (code == ERR_OK)
        code = operating_chart_all(s, options->margin, e);
    if (code == ERR_OK)
        result_flags_outcomes(s);
    if (code == ERR_OK)
        code = compare_feeders(s, e);
    if (code != ERR_OK) {
        session_free(s);
        return code;
    }
    s->progress = NULL;
    *session = s;
    return ERR_OK;
}

void session_free(struct session *s)
{
    if (s == NULL)
        return;
    for (size_t i = 0; i < s->series_count; i++)
        series_free(s->series[i]);
    for (size_t i = 0; i < s->run_count; i++)
        run_result_free(&s->runs[i]);
    run_store_free(&s->store);
    for (size_t i = 0; i < s->feeder_count; i++) {
        for (size_t k = 0; k < s->feeders[i].outcome_count; k++)
            outcome_free(&s->feeders[i].outcomes[k]);
        free(s->feeders[i].outcomes);
        free(s->feeders[i].conditions_range);
    }
    free(s->series);
    free(s->runs);
    free(s->feeders);
    comparison_forget(s);
    prediction_forget(s);
    free(s);
}
