#include "capture/condition_ask.h"

#include <stdio.h>
#include <string.h>

void condition_ask_begin(struct condition_ask *a, const struct plan *plan)
{
    *a = (struct condition_ask){.plan = plan};
    for (size_t i = 0; i < plan->feeder_count; i++)
        a->now[i] = plan->feeders[i].conditions;
}

static bool is_the_same(const struct conditions *a, const struct conditions *b, enum condition_id id)
{
    if (!a->stated[id] || !b->stated[id])
        return a->stated[id] == b->stated[id];
    return CONDITION_KINDS[id].is_number ? a->number[id] == b->number[id]
                                         : strcmp(conditions_word(a, id), conditions_word(b, id)) == 0;
}

bool condition_ask_is_of_feeder(const struct condition_ask *a, enum condition_id id)
{
    switch (id) {
    case CONDITION_AMBIENT_TEMPERATURE_C:
    case CONDITION_HUMIDITY_PERCENT:
    case CONDITION_SUPPLY_VOLTAGE_V:
    case CONDITION_BLOCKED_END:
    case CONDITION_HOT_END:
    case CONDITION_GUIDE_TUBE:
    case CONDITION_LOAD_CELL_SEAT:
    case CONDITION_ENCODER_SEAT:
        break;
    default:
        return true;
    }
    for (size_t i = 1; i < a->plan->feeder_count; i++) {
        if (!is_the_same(&a->plan->feeders[i].conditions, &a->plan->feeders[0].conditions, id))
            return true;
    }
    return false;
}

/* Let id be as in value: for the feeder, or for all. */
static void settle(struct condition_ask *a, size_t feeder, enum condition_id id,
                   const struct conditions *value)
{
    bool of_feeder = condition_ask_is_of_feeder(a, id);
    for (size_t i = 0; i < a->plan->feeder_count; i++) {
        if (i == feeder || !of_feeder)
            conditions_copy_one(&a->now[i], id, value);
    }
}

void condition_ask_take(struct condition_ask *a, size_t feeder, const struct conditions *conditions)
{
    for (size_t i = 0; i < a->plan->ask_count; i++)
        settle(a, feeder, a->plan->ask[i], conditions);
}

void condition_ask_question(const struct condition_ask *a, size_t feeder, enum condition_id id, char *text,
                            size_t size)
{
    const struct condition_kind *kind = &CONDITION_KINDS[id];
    bool of_feeder = condition_ask_is_of_feeder(a, id);
    char last[CONDITION_WORD_MAX + 32];
    int used = snprintf(text, size, "%s%s%s", of_feeder ? a->plan->feeders[feeder].name : "",
                        of_feeder ? ": " : "", kind->label);
    conditions_describe(&a->now[feeder], id, last, sizeof last);
    if (a->now[feeder].stated[id])
        snprintf(text + used, size - (size_t)used,
                 ", last %s: type a new one, or press Enter to keep it, Ctrl-C to stop", last);
    else
        snprintf(text + used, size - (size_t)used,
                 "%s%s, not stated yet: type it, or press Enter to leave it so, Ctrl-C to stop",
                 kind->is_number ? " in " : "", kind->symbol);
}

enum err_code condition_ask_answer(struct condition_ask *a, size_t feeder, enum condition_id id,
                                   const char *typed, struct err *e)
{
    struct conditions value = {0};
    enum err_code code;
    typed += strspn(typed, " \t");
    if (typed[0] == 0)
        return ERR_OK;
    if (typed[0] == '-' && typed[1 + strspn(typed + 1, " \t")] == 0) {
        settle(a, feeder, id, &value);
        return ERR_OK;
    }
    code = conditions_from_text(&value, id, typed, e);
    if (code == ERR_OK)
        settle(a, feeder, id, &value);
    return code;
}

void condition_ask_apply(const struct condition_ask *a, size_t feeder, struct conditions *conditions)
{
    for (size_t i = 0; i < a->plan->ask_count; i++)
        conditions_copy_one(conditions, a->plan->ask[i], &a->now[feeder]);
}
