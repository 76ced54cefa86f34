/* Conditions that the operator states: questions, answers, and what then holds for which feeder. */
#include "capture/condition_ask.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>

static struct plan plan;
static struct condition_ask ask;

static void begin(void)
{
    memset(&plan, 0, sizeof plan);
    plan.feeder_count = 2;
    strcpy(plan.feeders[0].name, "gear-8mm");
    strcpy(plan.feeders[1].name, "gear-c");
    for (size_t i = 0; i < 2; i++) {
        struct conditions *c = &plan.feeders[i].conditions;
        conditions_from_text(c, CONDITION_AMBIENT_TEMPERATURE_C, "21.5", NULL);
        conditions_from_text(c, CONDITION_SUPPLY_VOLTAGE_V, i == 0 ? "24" : "36", NULL);
        conditions_from_text(c, CONDITION_FILAMENT_LOT, "lot 4", NULL);
        conditions_from_text(c, CONDITION_NIP_PRELOAD_N, "80", NULL);
    }
    plan.ask[0] = CONDITION_AMBIENT_TEMPERATURE_C;
    plan.ask[1] = CONDITION_HUMIDITY_PERCENT;
    plan.ask[2] = CONDITION_FILAMENT_LOT;
    plan.ask[3] = CONDITION_SUPPLY_VOLTAGE_V;
    plan.ask_count = 4;
    condition_ask_begin(&ask, &plan);
}

TestSuite(condition_ask, .init = begin);

/* What a run of the feeder would state of id. */
static const char *stated(size_t feeder, enum condition_id id)
{
    static char text[120];
    struct conditions c = plan.feeders[feeder].conditions;
    condition_ask_apply(&ask, feeder, &c);
    conditions_describe(&c, id, text, sizeof text);
    return text;
}

static void answer(size_t feeder, enum condition_id id, const char *typed)
{
    struct err e;
    cr_expect_eq(condition_ask_answer(&ask, feeder, id, typed, &e), ERR_OK, "%s: %s", typed, e.text);
}

Test(condition_ask, without_an_answer_everything_is_as_the_plan_says)
{
    answer(0, CONDITION_AMBIENT_TEMPERATURE_C, "");
    answer(1, CONDITION_HUMIDITY_PERCENT, " \t");
    cr_expect_str_eq(stated(1, CONDITION_AMBIENT_TEMPERATURE_C), "21.5 °C");
    cr_expect_str_eq(stated(1, CONDITION_HUMIDITY_PERCENT), "not stated");
    cr_expect_str_eq(stated(1, CONDITION_SUPPLY_VOLTAGE_V), "36 V");
}

Test(condition_ask, the_room_is_the_same_for_all_and_a_feeder_has_its_own)
{
    answer(0, CONDITION_AMBIENT_TEMPERATURE_C, "23.25");
    answer(0, CONDITION_FILAMENT_LOT, "lot 5");
    cr_expect_str_eq(stated(1, CONDITION_AMBIENT_TEMPERATURE_C), "23.25 °C");
    cr_expect_str_eq(stated(0, CONDITION_FILAMENT_LOT), "lot 5");
    cr_expect_str_eq(stated(1, CONDITION_FILAMENT_LOT), "lot 4");
    cr_expect_not(condition_ask_is_of_feeder(&ask, CONDITION_AMBIENT_TEMPERATURE_C));
    cr_expect(condition_ask_is_of_feeder(&ask, CONDITION_FILAMENT_LOT));
    cr_expect(condition_ask_is_of_feeder(&ask, CONDITION_SUPPLY_VOLTAGE_V), "the plan states two of them");
    answer(1, CONDITION_SUPPLY_VOLTAGE_V, "35");
    cr_expect_str_eq(stated(0, CONDITION_SUPPLY_VOLTAGE_V), "24 V");
}

Test(condition_ask, what_was_not_asked_for_stays_the_plans)
{
    struct conditions past = plan.feeders[0].conditions;
    conditions_from_text(&past, CONDITION_NIP_PRELOAD_N, "41", NULL);
    condition_ask_take(&ask, 0, &past);
    cr_expect_str_eq(stated(0, CONDITION_NIP_PRELOAD_N), "80 N");
}

Test(condition_ask, the_last_run_gives_the_last_value)
{
    struct conditions past = {0};
    char text[CONDITION_ASK_TEXT_MAX];
    conditions_from_text(&past, CONDITION_AMBIENT_TEMPERATURE_C, "19", NULL);
    conditions_from_text(&past, CONDITION_FILAMENT_LOT, "lot 7", NULL);
    condition_ask_take(&ask, 1, &past);
    conditions_from_text(&past, CONDITION_AMBIENT_TEMPERATURE_C, "18.5", NULL);
    condition_ask_take(&ask, 1, &past);
    condition_ask_question(&ask, 0, CONDITION_AMBIENT_TEMPERATURE_C, text, sizeof text);
    cr_expect_str_eq(
        text, "ambient temperature, last 18.5 °C: type a new one, or press Enter to keep it, Ctrl-C to stop");
    condition_ask_question(&ask, 1, CONDITION_FILAMENT_LOT, text, sizeof text);
    cr_expect_str_eq(
        text, "gear-c: filament lot, last lot 7: type a new one, or press Enter to keep it, Ctrl-C to stop");
    condition_ask_question(&ask, 0, CONDITION_FILAMENT_LOT, text, sizeof text);
    cr_expect_not_null(strstr(text, "gear-8mm: filament lot, last lot 4:"), "%s", text);
    condition_ask_question(&ask, 1, CONDITION_HUMIDITY_PERCENT, text, sizeof text);
    cr_expect_str_eq(
        text,
        "relative humidity in %, not stated yet: type it, or press Enter to leave it so, Ctrl-C to stop");
}

Test(condition_ask, a_bad_answer_changes_nothing_and_a_hyphen_unstates)
{
    struct err e;
    cr_expect_eq(condition_ask_answer(&ask, 0, CONDITION_AMBIENT_TEMPERATURE_C, "warm", &e), ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "ambient temperature"), "%s", e.text);
    cr_expect_eq(condition_ask_answer(&ask, 0, CONDITION_AMBIENT_TEMPERATURE_C, "-41", &e), ERR_USAGE);
    cr_expect_str_eq(stated(0, CONDITION_AMBIENT_TEMPERATURE_C), "21.5 °C");
    answer(0, CONDITION_AMBIENT_TEMPERATURE_C, "-4");
    cr_expect_str_eq(stated(0, CONDITION_AMBIENT_TEMPERATURE_C), "-4 °C");
    answer(0, CONDITION_AMBIENT_TEMPERATURE_C, " - ");
    cr_expect_str_eq(stated(1, CONDITION_AMBIENT_TEMPERATURE_C), "not stated");
}
