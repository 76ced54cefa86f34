#include "capture/series_guide.h"

#include "capture/plan_time.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

void series_guide_begin(struct series_guide *g, const struct plan *plan, double time_scale)
{
    memset(g, 0, sizeof *g);
    g->plan = plan;
    g->count = plan_order(plan, g->order);
    g->time.time_scale = time_scale;
    condition_ask_begin(&g->ask, plan);
    for (size_t i = 0; i < g->count; i++) {
        const struct plan_run *run = &g->order[i];
        g->picture[i].block = run->block;
        g->picture[i].mounts = i == 0 || run->feeder != run[-1].feeder || run->block != run[-1].block;
    }
}

/* Place in the plan's order, from 0; count where it has none. */
static size_t place_of(const struct series_guide *g, const struct run_record *record)
{
    int place = record->plan_run > 0 ? record->plan_run : record->number;
    return place >= 1 && (size_t)place <= g->count ? (size_t)place - 1 : g->count;
}

static bool is_sound(const struct run_record *record)
{
    return record->ended == RUN_COMPLETE || record->ended == RUN_LIMIT;
}

void series_guide_take(struct series_guide *g, const struct run_record *record)
{
    size_t place = place_of(g, record);
    for (size_t i = 0; i < g->plan->feeder_count; i++) {
        if (strcmp(g->plan->feeders[i].name, record->feeder) == 0)
            condition_ask_take(&g->ask, i, run_record_conditions(record));
    }
    if (place < g->count)
        g->picture[place].state = is_sound(record) ? SERIES_PICTURE_DONE : SERIES_PICTURE_AGAIN;
}

/* One question, over and over until its answer can be used; the last value stays where nobody answers. */
static void ask_one(struct series_guide *g, size_t feeder, enum condition_id id)
{
    char question[CONDITION_ASK_TEXT_MAX];
    char typed[CONDITION_WORD_MAX + 64];
    struct err e;
    condition_ask_question(&g->ask, feeder, id, question, sizeof question);
    while (operator_ask(g->view, question, typed, sizeof typed, g->idle, g->context)) {
        if (condition_ask_answer(&g->ask, feeder, id, typed, &e) == ERR_OK)
            return;
        operator_say(g->view, "%s%s", e.text,
                     CONDITION_KINDS[id].is_number ? "; type the number alone, such as 21.5" : "");
    }
}

void series_guide_ask_first(struct series_guide *g)
{
    for (size_t i = 0; i < g->plan->ask_count && *g->view->stop_requests == 0; i++) {
        if (!condition_ask_is_of_feeder(&g->ask, g->plan->ask[i]))
            ask_one(g, 0, g->plan->ask[i]);
    }
}

void series_guide_ask_feeder(struct series_guide *g, size_t feeder)
{
    for (size_t i = 0; i < g->plan->ask_count && *g->view->stop_requests == 0; i++) {
        if (condition_ask_is_of_feeder(&g->ask, g->plan->ask[i]))
            ask_one(g, feeder, g->plan->ask[i]);
    }
}

static void tell_time_left(struct series_guide *g, char *text, size_t size)
{
    struct plan_time t;
    struct time_left_rest rest;
    int pauses[TIME_LEFT_PAUSES];
    size_t n = 0;
    for (size_t i = 0; i < g->count; i++) {
        if (g->picture[i].state != SERIES_PICTURE_DONE && g->picture[i].state != SERIES_PICTURE_WRONG)
            g->left[n++] = g->order[i];
    }
    plan_time_series(g->plan, g->left, n, &t);
    pauses[TIME_LEFT_MOUNTING] = t.mountings;
    pauses[TIME_LEFT_CHANGE] = t.changes;
    rest = time_left_rest(&g->time, n, t.rig_s, pauses);
    time_left_text(&rest, pauses, text, size);
}

size_t series_guide_wrong(const struct series_guide *g)
{
    size_t wrong = 0;
    for (size_t i = 0; i < g->count; i++)
        wrong += g->picture[i].state == SERIES_PICTURE_WRONG;
    return wrong;
}

void series_guide_show(struct series_guide *g, int place)
{
    char lines[SERIES_PICTURE_LINES_MAX][SERIES_PICTURE_LINE_BYTES];
    struct series_picture_run *next = &g->picture[place - 1];
    enum series_picture_state before = next->state;
    char left[200];
    size_t done = 0;
    size_t count = 0;
    for (size_t i = 0; i < g->count; i++)
        done += g->picture[i].state == SERIES_PICTURE_DONE || g->picture[i].state == SERIES_PICTURE_WRONG;
    tell_time_left(g, left, sizeof left);
    if (g->view->live) {
        next->state = SERIES_PICTURE_NEXT;
        count = series_picture_draw(g->picture, g->count, operator_columns(g->view), g->view->utf8, lines);
        next->state = before;
    }
    for (size_t i = 0; i < count; i++)
        operator_say(g->view, "%s", lines[i]);
    operator_say(g->view, "%zu of %zu runs done, %s", done, g->count, left);
}

void series_guide_run(struct series_guide *g, const struct plan_run *run, struct conditions *conditions)
{
    memset(&g->glance, 0, sizeof g->glance);
    condition_ask_apply(&g->ask, run->feeder, conditions);
}

void series_guide_look(struct series_guide *g, enum run_glance_part part, const struct raw_sample *sample)
{
    run_glance_add(&g->glance, part, sample);
}

/* Enter goes on; so does an input that has ended. */
static bool wants_repeat(struct series_guide *g, int number)
{
    char question[160];
    char typed[20];
    snprintf(question, sizeof question,
             "run %04d looks wrong: type r and Enter to repeat it, or press Enter to go on, Ctrl-C to stop",
             number);
    while (operator_ask(g->view, question, typed, sizeof typed, g->idle, g->context)) {
        const char *word = typed + strspn(typed, " \t");
        if (word[0] == 0)
            return false;
        if (tolower((unsigned char)word[0]) == 'r' && word[1 + strspn(word + 1, " \t")] == 0)
            return true;
        operator_say(g->view, "'%s' is neither r nor Enter alone", word);
    }
    return false;
}

bool series_guide_judge(struct series_guide *g, const struct run_record *record,
                        const struct calibration *calibration, double took_s, bool may_repeat, char *why)
{
    struct run_glance_result r;
    char which[40] = "";
    char what[PLAN_NAME_MAX + 80];
    char line[400];
    size_t place = place_of(g, record);
    why[0] = 0;
    run_glance_judge(&g->glance, record, calibration, g->plan->zero_drift_limit_n, &r);
    if (record->plan_run > 0) /* the number alone does not say which run of the plan it is */
        snprintf(which, sizeof which, "(%d of %zu)  ", record->plan_run, g->count);
    snprintf(what, sizeof what, "%s%s%s%s", which, record->feeder, g->plan->test_count > 1 ? "  " : "",
             g->plan->test_count > 1 ? PLAN_TEST_NAMES[record->test] : "");
    run_glance_line(&r, record, what, operator_columns(g->view), line, sizeof line);
    operator_say(g->view, "%s", line);
    for (int flag = 0; flag < RUN_GLANCE_FLAGS; flag++) {
        char text[RUN_GLANCE_TEXT_MAX];
        if (!r.flag[flag])
            continue;
        run_glance_flag_text(&r, (enum run_glance_flag)flag, record, g->plan->zero_drift_limit_n, text,
                             sizeof text);
        operator_say(g->view, "  looks wrong: %s", text);
        if (why[0] == 0)
            snprintf(why, RUN_GLANCE_TEXT_MAX, "%.*s", (int)strcspn(text, ":"), text);
    }
    if (place == g->count)
        return false;
    if (is_sound(record))
        time_left_run(&g->time, plan_time_run_s(g->plan, &g->order[place]), took_s);
    g->picture[place].state = !is_sound(record) ? SERIES_PICTURE_AGAIN
                              : r.looks_wrong   ? SERIES_PICTURE_WRONG
                                                : SERIES_PICTURE_DONE;
    if (!r.looks_wrong || record->ended == RUN_INTERRUPTED || !may_repeat || g->view->unattended ||
        !wants_repeat(g, record->number))
        return false;
    g->picture[place].state = SERIES_PICTURE_AGAIN;
    return true;
}
