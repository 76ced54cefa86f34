/* What is to be weighed, and weighing against a scripted rig whose converter always says the same. */
#include "capture/weigh.h"
#include "datasets/format/gravity.h"
#include "tests/capture/scripted_rig.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct weigh_order order;
static struct err e;

Test(weigh, words_that_do_not_make_a_weighing_are_named)
{
    static const struct {
        struct weigh_order_words words;
        const char *text;
    } CASES[] = {
        {{.loads = NULL}, "--loads is missing"},
        {{.loads = "1,x,3"}, "--loads: 'x' is not a number"},
        {{.loads = "1,,3"}, "--loads: '' is not a number"},
        {{.loads = ""}, "--loads: '' is not a number"},
        {{.loads = "-1,2,3"}, "--loads: -1 kg is outside 0 to 100000 kg"},
        {{.loads = "1,2"}, "--loads: 2 are too few; a calibration needs at least 3 different loads"},
        {{.loads = "1,2.5,2.50,4"},
         "--loads: 2.5 kg is there twice; give each load once (it is hung again in every cycle)"},
        {{.loads = "1,5,2", .mass_unit = "g"},
         "--loads: 2 g comes after 5 g; give the loads rising (they are hung falling too)"},
        {{.loads = "1,2,3", .mass_unit = "lb"}, "--mass-unit: 'lb' is neither kg nor g"},
        {{.loads = "1,2,3", .cycles = "0"}, "--cycles: 0 is outside 1 to 100"},
        {{.loads = "1,2,3", .latitude = "47"}, "--latitude: --latitude and --height belong together"},
        {{.loads = "1,2,3", .height = "470"}, "--height: --latitude and --height belong together"},
        {{.loads = "1,2,3", .latitude = "91", .height = "0"},
         "--latitude: 91 degrees is outside -90 to 90 degrees"},
        {{.loads = "1,2,3", .latitude = "47", .height = "470", .gravity = "9.81"},
         "--gravity: state it, or --latitude and --height, but not both"},
        {{.loads = "1,2,3", .gravity = "32.2"}, "--gravity: 32.2 m/s2 is outside 9.7 to 9.9 m/s2"},
        {{.loads = "1,2,3", .tolerance_mg = "5", .tolerance_relative = "1e-5"},
         "--tolerance-relative: state it, or --tolerance-mg, but not both"},
        {{.loads = "1,2,3", .density = "7.85"}, "--density: 7.85 kg/m3 is outside 500 to 25000 kg/m3"},
        {{.loads = "1,2,3", .timeout = "1"}, "--timeout: 1 s is outside 3 to 3600 s"},
        {{.loads = "1,2,3", .loads_n = true, .gravity = "9.81"},
         "--gravity: is about masses, but --loads-n says that the loads are newtons"},
        {{.loads = "1,2,3", .loads_n = true, .mass_unit = "kg"},
         "--mass-unit: is about masses, but --loads-n says that the loads are newtons"},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        cr_expect_eq(weigh_order_read(&CASES[i].words, &order, &e), ERR_USAGE, "case %zu", i);
        cr_expect_str_eq(e.text, CASES[i].text, "case %zu", i);
    }
}

Test(weigh, a_mass_pulls_with_local_gravity_less_its_buoyancy)
{
    struct weigh_order_words words = {.loads = "0.5,2,7.125", .gravity = "9.8073"};
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(order.load_count, 4);
    cr_expect_eq(order.force_n[0], 0);
    cr_expect_float_eq(order.force_n[2], 2 * 9.8073 * (1 - 1.2 / 8000), 1e-12);
    cr_expect_float_eq(order.force_n[3], 7.125 * 9.8073 * (1 - 1.2 / 8000), 1e-12);
    cr_expect(isnan(order.gravity_standard_uncertainty_m_s2), "nothing is known of an entered value");
    words.mass_unit = "g";
    words.loads = "0,500,2000";
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(order.load_count, 3, "no load is there only once");
    cr_expect_float_eq(order.force_n[2], 2 * 9.8073 * (1 - 1.2 / 8000), 1e-12);
    /* In thinner air a weight of aluminium gains more than one of 8000 kg/m3 would. */
    words.density = "2700";
    words.air_density = "0.9";
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_expect_float_eq(order.force_n[2], 2 * 9.8073 * (1 - 1.2 / 8000) / (1 - 1.2 / 2700) * (1 - 0.9 / 2700),
                       1e-12);
}

Test(weigh, gravity_comes_from_the_place_or_is_an_estimate)
{
    struct weigh_order_words words = {.loads = "1,2,3", .latitude = "47.37", .height = "408"};
    double expected;
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(gravity_local_m_s2(47.37, 408, &expected, &e), ERR_OK);
    cr_expect_eq(order.gravity_m_s2, expected);
    cr_expect_eq(order.gravity_from, WEIGH_ORDER_GRAVITY_PLACE);
    cr_expect_float_eq(order.gravity_standard_uncertainty_m_s2, 5e-4, 1e-12);
    words.latitude = words.height = NULL;
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(order.gravity_m_s2, 9.80665);
    cr_expect_eq(order.gravity_from, WEIGH_ORDER_GRAVITY_STANDARD);
    cr_expect_float_eq(order.gravity_standard_uncertainty_m_s2, 0.015, 1e-12);
    words.loads_n = true;
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_expect(isnan(order.gravity_m_s2));
    cr_expect_eq(order.force_n[3], 3);
}

Test(weigh, loads_are_hung_rising_and_then_falling_in_every_cycle)
{
    static const struct weigh_order_step WANTED[] = {
        {0, true, 1}, {1, true, 1}, {2, true, 1}, {3, true, 1}, {2, false, 1}, {1, false, 1}, {0, false, 1},
        {0, true, 2}, {1, true, 2}, {2, true, 2}, {3, true, 2}, {2, false, 2}, {1, false, 2}, {0, false, 2}};
    struct weigh_order_words words = {.loads = "3,17,44", .cycles = "2"};
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(weigh_order_step_count(&order), 14);
    for (size_t i = 0; i < 14; i++) {
        struct weigh_order_step step = weigh_order_step(&order, i);
        cr_expect_eq(step.load, WANTED[i].load, "step %zu", i);
        cr_expect_eq(step.up, WANTED[i].up, "step %zu", i);
        cr_expect_eq(step.cycle, WANTED[i].cycle, "step %zu", i);
    }
}

static struct scripted_rig rig;
static struct weigh_outcome outcome;
static char table[4096];

/* Weigh 5, 20 and 50 N, unattended, on a rig of that script; what is in the table goes to table. */
static enum err_code weigh_on(const struct script *script, int stop_requests)
{
    char folder[] = "/tmp/weigh.XXXXXX";
    char path[64];
    char json[64];
    struct weigh_order_words words = {.loads = "5,20,50", .loads_n = true, .timeout = "4"};
    struct operator_view view;
    enum err_code code;
    FILE *file;
    cr_assert_eq(weigh_order_read(&words, &order, &e), ERR_OK);
    cr_assert_not_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/r.csv", folder);
    snprintf(json, sizeof json, "%s/r.json", folder);
    scripted_rig_begin(&rig, script);
    rig.script.stop_requests = stop_requests;
    operator_init(&view, true, &rig.script.stop_requests);
    code = weigh_carry_out(&(struct weigh_request){.port = rig.path,
                                                   .baud = LINK_BAUD_DEFAULT,
                                                   .way = LINK_BY_PATH,
                                                   .out = path,
                                                   .feeder = "gear-b",
                                                   .order = &order},
                           &view, &outcome, &e);
    scripted_rig_end(&rig);
    cr_expect(!rig.armed && !rig.sampling, "the rig is left quiet");
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

Test(weigh, a_reading_that_stays_is_not_taken_for_the_next_load)
{
    const struct script script = {.zero_counts = -4711};
    cr_expect_eq(weigh_on(&script, 0), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "the reading with 5 N was not steady within 4 s: it is still what it was with "
                             "the load before; 1 of 21 readings are kept");
    cr_expect_str_eq(table, "load_n,reading_counts,direction,cycle\n0.000000,-4711.000,up,1\n");
    cr_expect_eq(outcome.recorded, 1);
    cr_expect_eq(outcome.planned, 21);
    cr_expect_str_eq(rig.configure.feeder, "gear-b");
    cr_expect_eq(rig.configure.sample_rate_millihertz, 1000000);
    cr_expect_eq(times_sent(WIRE_ARM), 0, "nothing is ever armed");
}

Test(weigh, the_end_of_the_converters_range_is_no_reading)
{
    const struct script low = {.zero_counts = -8388608};
    const struct script high = {.zero_counts = 8388607};
    cr_expect_eq(weigh_on(&high, 0), ERR_DEVICE);
    cr_expect_str_eq(e.text,
                     "with no weight the reading is at the end of the converter's range (8388607 counts), "
                     "so the load cannot be read: take the weight off, then lower the amplifier's gain "
                     "or leave out this load");
    cr_expect_str_eq(table, "", "no table is left without a reading");
    cr_expect_eq(weigh_on(&low, 0), ERR_DEVICE);
    cr_expect_not_null(strstr(e.text, "(-8388608 counts)"));
}

Test(weigh, a_request_to_stop_ends_it)
{
    const struct script script = {.zero_counts = 12};
    cr_expect_eq(weigh_on(&script, 1), ERR_NO_ANSWER);
    cr_expect_str_eq(e.text, "stopped by the operator before the first reading");
    cr_expect_str_eq(table, "");
}

Test(weigh, a_rig_that_refuses_is_a_fault_with_its_reason)
{
    const struct script script = {.refuses = WIRE_CONFIGURE, .reason = WIRE_REFUSED_NO_SUCH_FEEDER};
    cr_expect_eq(weigh_on(&script, 0), ERR_DEVICE);
    cr_expect_not_null(strstr(e.text, "the rig refused 'configure'"), "%s", e.text);
    cr_expect_str_eq(table, "");
}
