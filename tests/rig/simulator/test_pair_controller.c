#include "rig/simulator/pair_controller.h"

#include <criterion/criterion.h>
#include <string.h>

static char answers[2000];

static void hear(void *context, const char *answer)
{
    (void)context;
    strcat(strcat(answers, answer), "|");
}

static struct pair_controller controller(void)
{
    struct pair_controller c;
    answers[0] = 0;
    pair_controller_begin(&c, 2, hear, NULL);
    pair_controller_line(&c, 0, "G21");
    pair_controller_line(&c, 0, "G91");
    cr_assert_str_eq(answers, "ok|ok|");
    answers[0] = 0;
    return c;
}

Test(pair_controller, motions_follow_one_another_at_their_feed_rates)
{
    struct pair_controller c = controller();
    pair_controller_line(&c, 1, "G1 E2 F60");
    pair_controller_line(&c, 1.5, "g1 e-0.5 f30");
    cr_expect_str_eq(answers, "ok|ok|");
    pair_controller_advance(&c, 2);
    cr_expect_float_eq(pair_controller_position_mm(&c), 1, 1e-12);
    pair_controller_advance(&c, 3.5);
    cr_expect_float_eq(pair_controller_position_mm(&c), 1.75, 1e-12, "the second began at 3 s");
    cr_expect(pair_controller_moving(&c));
    pair_controller_advance(&c, 4);
    cr_expect_float_eq(pair_controller_position_mm(&c), 1.5, 1e-12);
    cr_expect_not(pair_controller_moving(&c));
}

Test(pair_controller, a_full_queue_holds_its_answer_back)
{
    struct pair_controller c = controller();
    for (int i = 0; i < 3; i++)
        pair_controller_line(&c, 0, "G1 X1 F60");
    cr_expect_str_eq(answers, "ok|ok|");
    pair_controller_advance(&c, 0.99);
    cr_expect_str_eq(answers, "ok|ok|");
    pair_controller_advance(&c, 1);
    cr_expect_str_eq(answers, "ok|ok|ok|");
}

Test(pair_controller, a_dwell_is_answered_when_the_motion_before_it_has_ended)
{
    struct pair_controller c = controller();
    pair_controller_line(&c, 0, "G1 E1 F60");
    pair_controller_line(&c, 0, "G4 P0.5");
    pair_controller_line(&c, 0, "M18");
    pair_controller_advance(&c, 1.2);
    cr_expect_str_eq(answers, "ok|");
    cr_expect(c.motor_on);
    pair_controller_advance(&c, 1.6);
    cr_expect_str_eq(answers, "ok|ok|ok|");
    cr_expect_not(c.motor_on);
}

Test(pair_controller, a_stop_is_obeyed_at_once)
{
    struct pair_controller c = controller();
    for (int i = 0; i < 4; i++)
        pair_controller_line(&c, 0, "G1 E1 F60");
    answers[0] = 0;
    pair_controller_line(&c, 0.25, "M0");
    cr_expect_str_eq(answers, "ok|");
    pair_controller_advance(&c, 5);
    cr_expect_float_eq(pair_controller_position_mm(&c), 0.25, 1e-12);
    cr_expect_str_eq(answers, "ok|", "what was thrown away is not answered");
}

Test(pair_controller, what_it_does_not_know_is_refused)
{
    static const char *const LINES[] = {"G77", "M3", "E1 #", "G1 Eabc", "G1 E1e30", "G1 E1"};
    for (size_t i = 0; i < sizeof LINES / sizeof LINES[0]; i++) {
        struct pair_controller c = controller();
        pair_controller_line(&c, 0, LINES[i]); /* the last one lacks a feed rate */
        cr_expect_eq(strncmp(answers, "error: ", 7), 0, "%s: %s", LINES[i], answers);
        cr_expect_not(pair_controller_moving(&c));
    }
}

Test(pair_controller, inches_and_absolute_positions)
{
    struct pair_controller c = controller();
    pair_controller_line(&c, 0, "G90 G20 G1 E1 F1");
    pair_controller_advance(&c, 30);
    cr_expect_float_eq(pair_controller_position_mm(&c), 12.7, 1e-9);
    pair_controller_line(&c, 60, "G1 E1");
    cr_expect_not(pair_controller_moving(&c), "it is there already");
}
