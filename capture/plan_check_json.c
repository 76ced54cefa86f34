/* plan_check_write_json of plan_check.h. */
#include "capture/plan_check.h"

#include <jansson.h>
#include <math.h>

/* null for what is not known. */
static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *lines(const struct plan_check_lines *from)
{
    json_t *array = json_array();
    for (size_t i = 0; i < from->count && i < PLAN_CHECK_LINES_MAX; i++)
        json_array_append_new(array, json_string(from->text[i]));
    return array;
}

static json_t *example(const struct plan_check *check)
{
    json_t *array = json_array();
    for (size_t i = 0; i < check->example.count && i < PLAN_EXAMPLE_LINES_MAX; i++)
        json_array_append_new(array,
                              json_pack("{s:I, s:s}", "line", (json_int_t)check->example.lines[i].number,
                                        "text", check->example.lines[i].text));
    return array;
}

static json_t *asked(const struct plan_check *check)
{
    json_t *array = json_array();
    for (size_t i = 0; i < check->asked_count; i++)
        json_array_append_new(
            array, json_pack("{s:s, s:i}", "what", check->asked[i].what, "times", check->asked[i].times));
    return array;
}

static json_t *feeders(const struct plan_check *check)
{
    json_t *array = json_array();
    for (size_t i = 0; i < check->plan.feeder_count; i++)
        json_array_append_new(array, json_pack("{s:s, s:f, s:o}", "feeder", check->plan.feeders[i].name,
                                               "feed_mm", check->time.feed_mm[i], "feed_g",
                                               number(plan_check_feed_g(check, i))));
    return array;
}

static json_t *tests(const struct plan *p)
{
    json_t *array = json_array();
    for (size_t i = 0; i < p->test_count; i++)
        json_array_append_new(array, json_pack("{s:s, s:I}", "test", PLAN_TEST_NAMES[p->tests[i].kind],
                                               "runs_each_feeder_and_block",
                                               (json_int_t)plan_test_pushes(&p->tests[i])));
    return array;
}

static json_t *seen(const struct plan_check *check)
{
    const struct plan_check_seen *s = &check->seen;
    json_t *matters = json_array();
    for (size_t i = 0; i < s->matter_count; i++)
        json_array_append_new(
            matters, json_pack("{s:s, s:f, s:o, s:o}", "quantity", s->matters[i].quantity, "difference_n",
                               s->matters[i].difference_n, "scatter_most_n",
                               number(s->matters[i].scatter_most_n), "blocks_needed",
                               s->matters[i].blocks > 0 ? json_integer(s->matters[i].blocks) : json_null()));
    return json_pack("{s:i, s:i, s:o, s:o, s:o, s:f, s:f, s:o}", "feeders", s->feeders, "questions",
                     s->values, "times_scatter", number(s->ratio), "scatter_n",
                     number(check->request.scatter_n), "difference_n", number(s->difference_n), "level", 0.05,
                     "power", 0.8, "matters", matters);
}

static json_t *order(const struct plan_check *check)
{
    json_t *array = json_array();
    for (size_t i = 0; i < check->runs; i++) {
        const struct plan_run *run = &check->order[i];
        char settings[300];
        plan_check_settings(check, run, settings, sizeof settings);
        json_array_append_new(array, json_pack("{s:i, s:i, s:s, s:s, s:f, s:s}", "run", run->number, "block",
                                               run->block, "feeder", check->plan.feeders[run->feeder].name,
                                               "test", PLAN_TEST_NAMES[check->plan.tests[run->test].kind],
                                               "speed_mm_s", run->speed_mm_s, "sets", settings));
    }
    return array;
}

static json_t *durations(const struct plan_check *check)
{
    const struct plan_time *t = &check->time;
    double hands_s = plan_check_hands_s(check);
    return json_pack("{s:f, s:i, s:i, s:f, s:f, s:f, s:f}", "rig_s", t->rig_s, "mountings", t->mountings,
                     "other_changes", t->changes, "assumed_mount_s", 60 * check->request.mount_minutes,
                     "assumed_change_s", 60 * check->request.change_minutes, "hands_s", hands_s, "total_s",
                     t->rig_s + hands_s);
}

static json_t *limits(const struct plan_check *check)
{
    const struct plan *p = &check->plan;
    return json_pack("{s:f, s:f, s:f, s:f, s:f}", "force_n", p->force_limit_n, "travel_mm",
                     p->travel_limit_mm, "time_s", p->time_limit_s, "longest_travel_mm", check->longest_mm,
                     "longest_time_s", check->longest_s);
}

enum err_code plan_check_write_json(const struct plan_check *check, bool with_order, FILE *out, struct err *e)
{
    const struct plan *p = &check->plan;
    const char *verdict = check->example.count > 0 ? "still the example"
                          : check->no.count > 0    ? "cannot answer"
                                                   : "can answer";
    char title[sizeof p->title];
    bool failed;
    json_t *object;
    snprintf(title, sizeof title, "%s", p->title);
    object = json_pack("{s:s, s:s, s:b, s:I, s:i, s:I}", "title", err_clean_text(title), "verdict", verdict,
                       "simulated", p->simulated, "seed", (json_int_t)p->seed, "blocks", p->blocks, "runs",
                       (json_int_t)check->runs);
    /* A member that could not be made is NULL, which json_object_set_new refuses. */
    failed = object == NULL || json_object_set_new(object, "no_answer", lines(&check->no)) != 0 ||
             json_object_set_new(object, "warnings", lines(&check->warnings)) != 0 ||
             json_object_set_new(object, "before_it_runs", lines(&check->before)) != 0 ||
             json_object_set_new(object, "example_lines", example(check)) != 0 ||
             json_object_set_new(object, "feeders", feeders(check)) != 0 ||
             json_object_set_new(object, "tests", tests(p)) != 0 ||
             json_object_set_new(object, "asked", asked(check)) != 0 ||
             json_object_set_new(object, "time", durations(check)) != 0 ||
             json_object_set_new(object, "limits", limits(check)) != 0 ||
             json_object_set_new(object, "seen_difference", seen(check)) != 0 ||
             json_object_set_new(object, "rows", json_real(floor(check->rows))) != 0 ||
             json_object_set_new(object, "disk_bytes", json_real(floor(check->disk_bytes))) != 0 ||
             (with_order && json_object_set_new(object, "order", order(check)) != 0);
    if (failed)
        err_set(e, ERR_MEMORY, "out of memory");
    else if (json_dumpf(object, out, JSON_INDENT(2) | JSON_SORT_KEYS) != 0 || fputc('\n', out) == EOF) {
        failed = true;
        err_set(e, ERR_SYSTEM, "cannot write JSON to standard output");
    }
    json_decref(object);
    return failed ? e->code : ERR_OK;
}
