/* Feed against measured lengths: what is asked for, and the moves on a scripted rig. */
#include "capture/measure_feed.h"
#include "tests/capture/scripted_rig.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct measure_feed_order order;
static struct err e;

/* Words that are good, for cases to spoil one. */
#define GOOD                                                                                                 \
    .feeder = "gear-8mm", .full_steps = "200", .microsteps = "16", .reduction = "3.5", .diameter = "8.25",   \
    .lengths = "40,15"

Test(measure_feed, words_that_do_not_make_a_measurement_are_named)
{
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Woverride-init"
    static const struct {
        struct measure_feed_words words;
        const char *text;
    } CASES[] = {
        {{GOOD, .feeder = NULL}, "--feeder is missing"},
        {{GOOD, .feeder = "Gear 8"}, "--feeder: 'Gear 8' must be 1 to 32 small letters, digits and hyphens"},
        {{GOOD, .full_steps = NULL}, "--full-steps is missing"},
        {{GOOD, .full_steps = "1.8"}, "--full-steps: '1.8' is not a whole number"},
        {{GOOD, .microsteps = "2048"}, "--microsteps: 2048 is outside 1 to 1024"},
        {{GOOD, .reduction = NULL}, "--reduction is missing"},
        {{GOOD, .reduction = "0"}, "--reduction: 0 is outside 0.01 to 1000"},
        {{GOOD, .diameter = "8 mm"}, "--diameter: '8 mm' is not a number"},
        {{GOOD, .lengths = NULL}, "--lengths is missing"},
        {{GOOD, .lengths = "40"},
         "--lengths: one is too few; two or more tell feed from motion lost at a reversal"},
        {{GOOD, .lengths = "40,40.0"},
         "--lengths: 40 mm is there twice; --repeats says how often each is measured"},
        {{GOOD, .lengths = "40,0.5"}, "--lengths: 0.5 mm is outside 1 to 2000 mm"},
        {{GOOD, .repeats = "0"}, "--repeats: 0 is outside 1 to 50"},
        {{GOOD, .speed = "0"}, "--speed: 0 mm/s is outside 0.1 to 200 mm/s"},
        {{GOOD, .microsteps = "1024", .speed = "150"},
         "--speed: 150 mm/s would be 4148446 microsteps a second; at most 1000000"},
        {{GOOD, .resolution = "0"}, "--resolution-mm: 0 mm is outside 0.0001 to 10 mm"},
        {{GOOD, .force_limit = "0.5"}, "--force-limit-counts: 0.5 counts is outside 1 to 1e+09 counts"},
        {{GOOD, .measured = "40,40,15,15"},
         "--measured: 4 lengths for 12 moves (2 lengths, 3 repeats, forward and back)"},
        {{GOOD, .repeats = "1", .measured = "40,-40,15,15"}, "--measured: -40 mm is outside 0 to 2000 mm"},
    };
#pragma GCC diagnostic pop
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        cr_expect_eq(measure_feed_read_words(&CASES[i].words, &order, &e), ERR_USAGE, "case %zu", i);
        cr_expect_str_eq(e.text, CASES[i].text, "case %zu", i);
    }
}

Test(measure_feed, lengths_become_microsteps_by_the_nominal_diameter)
{
    const struct measure_feed_words words = {GOOD};
    cr_assert_eq(measure_feed_read_words(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(order.mm_per_microstep, 3.14159265358979 * 8.25 / (200 * 16 * 3.5), 1e-12);
    cr_expect_eq(order.length_microsteps[0], 17285); /* 40 mm are 17285.2 of them */
    cr_expect_eq(order.length_microsteps[1], 6482);
    cr_expect(isnan(order.resolution_mm), "not stated");
    cr_expect_eq(order.repeats, 3);
    cr_expect_not(order.have_measured);
}

Test(measure_feed, every_length_is_fed_forward_and_back)
{
    static const struct measure_feed_move WANTED[] = {{0, true, 1},  {0, false, 1}, {1, true, 1},
                                                      {1, false, 1}, {0, true, 2},  {0, false, 2},
                                                      {1, true, 2},  {1, false, 2}};
    const struct measure_feed_words words = {GOOD, .repeats = "2"};
    cr_assert_eq(measure_feed_read_words(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(measure_feed_move_count(&order), 8);
    for (size_t i = 0; i < 8; i++) {
        struct measure_feed_move move = measure_feed_move(&order, i);
        cr_expect_eq(move.length, WANTED[i].length, "move %zu", i);
        cr_expect_eq(move.forward, WANTED[i].forward, "move %zu", i);
        cr_expect_eq(move.repeat, WANTED[i].repeat, "move %zu", i);
    }
}

static struct scripted_rig rig;
static struct measure_feed_outcome outcome;
static char table[4096];

/* Two lengths once, unattended; the rig's time runs 20 times as fast as ours. */
static enum err_code measure_on(const struct script *script, const char *force_limit, const char *microsteps)
{
    char folder[] = "/tmp/feed.XXXXXX";
    char path[64];
    char json[64];
    const struct measure_feed_words words = {.feeder = "gear-8mm",
                                             .full_steps = "200",
                                             .microsteps = microsteps,
                                             .reduction = "1",
                                             .diameter = "8",
                                             .lengths = "7,3",
                                             .repeats = "1",
                                             .measured = "7.125,7.0625,3.03,2.98",
                                             .speed = "20",
                                             .force_limit = force_limit};
    struct operator_view view;
    enum err_code code;
    FILE *file;
    cr_assert_eq(measure_feed_read_words(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_assert_not_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/f.csv", folder);
    snprintf(json, sizeof json, "%s/f.json", folder);
    scripted_rig_begin(&rig, script);
    operator_init(&view, true, &rig.script.stop_requests);
    code = measure_feed_carry_out(
        &(struct measure_feed_request){
            .port = rig.path, .baud = LINK_BAUD_DEFAULT, .way = LINK_BY_PATH, .out = path, .order = &order},
        &view, &outcome, &e);
    scripted_rig_end(&rig);
    cr_expect(!rig.armed, "the rig was left armed");
    table[0] = 0;
    file = fopen(path, "r");
    if (file != NULL) {
        table[fread(table, 1, sizeof table - 1, file)] = 0;
        fclose(file);
    }
    cr_expect_eq(unlink(path) == 0, file != NULL);
    cr_expect_eq(unlink(json) == 0, file != NULL, "table and JSON are there together");
    cr_expect_eq(rmdir(folder), 0);
    return code;
}

static int times_sent(uint8_t command)
{
    int n = 0;
    for (size_t i = 0; i < rig.command_count; i++)
        n += rig.commands[i] == command;
    return n;
}

Test(measure_feed, moves_are_armed_with_limits_and_cut_after_each)
{
    const struct script script = {.zero_counts = 5120, .newton_per_step = 1e-9};
    cr_assert_eq(measure_on(&script, NULL, "16"), ERR_OK, "%s", e.text);
    cr_expect_str_eq(table, "feeder,commanded_steps,measured_mm,direction,repeat\n"
                            "gear-8mm,891,7.125,forward,1\ngear-8mm,891,7.0625,backward,1\n"
                            "gear-8mm,382,3.03,forward,1\ngear-8mm,382,2.98,backward,1\n");
    cr_expect_eq(outcome.recorded, 4);
    cr_expect_eq(times_sent(WIRE_ARM), 4);
    cr_expect_eq(times_sent(WIRE_MOVE), 4);
    cr_expect_geq(times_sent(WIRE_CUT), 5, "one before, one after each, and one at the end");
    /* 1 % of the converter's 16777215 counts, about the rig's own zero. */
    cr_expect_eq(rig.arm.force_limit_low_counts, 5120 - 167772);
    cr_expect_eq(rig.arm.force_limit_high_counts, 5120 + 167772);
    cr_expect_eq(rig.arm.travel_limit_microsteps, 509); /* 382 and 1 mm more */
    cr_expect_eq(rig.arm.time_limit_ms, 10300);
    cr_expect_eq(rig.move.travel_microsteps, 382);
    cr_expect_eq(rig.move.speed_millisteps_s, -2546479, "the last one went backward");
}

Test(measure_feed, something_in_the_way_ends_it)
{
    const struct script script = {.newton_per_step = 0.01}; /* 10 counts a microstep */
    cr_expect_eq(measure_on(&script, "4500", "16"), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text,
                     "the move of 7 mm forward ended before its end: force limit on the rig; make the way "
                     "free and begin anew (0 of 4 lengths are kept)");
    cr_expect_str_eq(table, "", "no table is left without a row");
}

Test(measure_feed, a_stop_in_a_move_keeps_the_lengths_before)
{
    const struct script script = {
        .newton_per_step = 1e-9, .stop_request_after = 100, .stop_request_count = 1};
    cr_expect_eq(measure_on(&script, NULL, "16"), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "stopped by the operator before the first length was measured");
    cr_expect_eq(times_sent(WIRE_STOP), 1);
    cr_expect_eq(times_sent(WIRE_MOVE), 1);
}

Test(measure_feed, other_steps_than_the_rigs_are_refused_before_anything_moves)
{
    const struct script script = {0};
    cr_expect_eq(measure_on(&script, NULL, "32"), ERR_USAGE);
    cr_expect_str_eq(e.text, "--microsteps: the rig's driver is set to 16, not 32");
    cr_expect_eq(measure_on(&script, "90000000", "16"), ERR_USAGE);
    cr_expect_str_eq(e.text, "--force-limit-counts: 90000000 is more than half of the converter's range "
                             "(-8388608 to 8388607)");
    cr_expect_eq(times_sent(WIRE_ARM), 0);
}
