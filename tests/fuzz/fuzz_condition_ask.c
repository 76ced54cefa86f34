/* What an operator types in answer to the question for a condition: the first byte is the condition. */
#include "capture/condition_ask.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

/* Two feeders, and everything is asked for. */
static void prepare(struct plan *plan)
{
    plan->feeder_count = 2;
    strcpy(plan->feeders[0].name, "gear north");
    strcpy(plan->feeders[1].name, "gear south");
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        plan->ask[plan->ask_count++] = (enum condition_id)i;
    /* One of the room's that the plan has different for the two. */
    plan->feeders[1].conditions.stated[CONDITION_SUPPLY_VOLTAGE_V] = true;
    plan->feeders[1].conditions.number[CONDITION_SUPPLY_VOLTAGE_V] = 23.85;
    plan->feeders[0].conditions.stated[CONDITION_HUMIDITY_PERCENT] = true;
    plan->feeders[0].conditions.number[CONDITION_HUMIDITY_PERCENT] = 43.5;
}

static void check_value(const struct conditions *c, enum condition_id id)
{
    const struct condition_kind *kind = &CONDITION_KINDS[id];
    char word[CONDITION_WORD_MAX + 1];
    if (!c->stated[id])
        return;
    if (kind->is_number) {
        assert(c->number[id] >= kind->low && c->number[id] <= kind->high);
        return;
    }
    assert(strlen(conditions_word(c, id)) <= CONDITION_WORD_MAX && conditions_word(c, id)[0] != 0);
    strcpy(word, conditions_word(c, id));
    assert(strcmp(err_clean_text(word), conditions_word(c, id)) == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct plan plan;
    static struct condition_ask ask, before;
    struct conditions run = {0};
    struct err e = {0};
    enum condition_id id;
    enum err_code code;
    bool of_feeder;
    char question[CONDITION_ASK_TEXT_MAX], *typed;
    if (length == 0)
        return 0;
    if (plan.feeder_count == 0)
        prepare(&plan);
    id = (enum condition_id)(bytes[0] % CONDITION_COUNT);
    condition_ask_begin(&ask, &plan);
    before = ask;
    of_feeder = condition_ask_is_of_feeder(&ask, id);
    typed = strndup((const char *)bytes + 1, length - 1);
    assert(typed != NULL);
    code = condition_ask_answer(&ask, 0, id, typed, &e);
    fuzz_check_error(code, &e, 1u << ERR_USAGE);
    /* A refused answer changes nothing, and an empty one too. */
    if (code != ERR_OK || typed[strspn(typed, " \t")] == 0)
        assert(memcmp(&ask, &before, sizeof ask) == 0);
    for (size_t i = 0; i < 2; i++)
        check_value(&ask.now[i], id);
    /* No other condition is touched, nor the other feeder by what belongs to one. */
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (i != id)
            assert(ask.now[0].stated[i] == before.now[0].stated[i]);
    }
    assert(of_feeder == condition_ask_is_of_feeder(&ask, id));
    if (of_feeder)
        assert(memcmp(&ask.now[1], &before.now[1], sizeof ask.now[1]) == 0);
    else if (code == ERR_OK && typed[strspn(typed, " \t")] != 0)
        assert(ask.now[0].stated[id] == ask.now[1].stated[id]);
    /* What was stated is what the next question names, what goes into a run, and what is taken from it. */
    condition_ask_question(&ask, 0, id, question, sizeof question);
    assert((strstr(question, ", last ") != NULL) == ask.now[0].stated[id]);
    condition_ask_apply(&ask, 0, &run);
    assert(run.stated[id] == ask.now[0].stated[id]);
    condition_ask_begin(&before, &plan);
    condition_ask_take(&before, 0, &run);
    condition_ask_question(&before, 0, id, question, sizeof question);
    assert((strstr(question, ", last ") != NULL) == run.stated[id]);
    free(typed);
    return 0;
}
