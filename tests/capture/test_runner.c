/* One run against a scripted rig: limits, ends, and that the motor is cut whatever happens. */
#include "capture/runner.h"

#include "datasets/format/run_journal.h"
#include "tests/capture/scripted_rig.h"
#include "tests/datasets/record_state.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct scripted_rig rig;
static struct calibration calibration;
static struct run_record record;
static struct run_record journalled; /* as the journal alone tells it */
static struct run_columns columns;
static struct err e;
static bool recorded;
static int cycles; /* of the run to come */
static double time_limit_s = 3;

/* What was looked at: samples of each part, the first and last of each by the clock of the run. */
static struct {
    int64_t n, first_us, last_us;
    int32_t last_steps;
} looked[3];

static void look(void *context, enum run_glance_part part, const struct raw_sample *sample)
{
    (void)context;
    if (looked[part].n++ == 0)
        looked[part].first_us = sample->time_us;
    looked[part].last_us = sample->time_us;
    looked[part].last_steps = sample->commanded_steps;
}

static void forget(void)
{
    run_record_free(&record);
    run_record_free(&journalled);
    run_columns_free(&columns);
}

TestSuite(runner, .fini = forget);

/* Carry out a run of 4 mm at 5 mm/s with 0.01 mm a microstep: 400 microsteps, 4 N at the scripted slope. */
static enum err_code carry_out(const struct script *script, double force_limit_n)
{
    char folder[] = "/tmp/runner.XXXXXX";
    char path[64];
    char journal[64];
    struct run_written written;
    struct link *port = NULL;
    struct rig_client *client = NULL;
    struct run_writer *writer = NULL;
    struct wire_identity identity;
    struct err other;
    struct runner_setup setup = {.travel_mm = 4,
                                 .cycles = cycles,
                                 .acceleration_mm_s2 = 250,
                                 .rest_before_s = 0.3,
                                 .rest_after_s = 0.2,
                                 .calibration = &calibration};
    enum err_code code;
    calibration.degree = 1;
    calibration.coefficients[0] = 100;
    calibration.coefficients[1] = script->counts_per_n != 0 ? script->counts_per_n : 1000;
    record.number = record.block = record.order = 5;
    record.drive_diameter_mm = 8;
    record.reduction = 1;
    runner_set_start_time(&record);
    snprintf(record.feeder, sizeof record.feeder, "gear-b");
    record.speed_mm_s = 5;
    record.mm_per_microstep = 0.01;
    record.sample_rate_hz = 1000;
    record.counts_min = -8388608;
    record.counts_max = 8388607;
    record.force_limit_n = force_limit_n;
    record.travel_limit_mm = 6;
    record.time_limit_s = time_limit_s;
    record.full_steps_per_rev = 200;
    record.microsteps = 16;
    record_state(&record, CONDITION_NIP_PRELOAD_N, 41.25);
    scripted_rig_begin(&rig, script);
    setup.stop_requests = &rig.script.stop_requests;
    setup.look = look;
    memset(looked, 0, sizeof looked);
    cr_assert_not_null(mkdtemp(folder));
    cr_assert_eq(link_open(rig.path, LINK_BAUD_DEFAULT, LINK_BY_PATH, &port, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(rig_client_new(port, &client, &e), ERR_OK);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(runner_check(&identity, &setup, &record, "plan.yaml", &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_writer_open(folder, &record, true, 65536, &writer, &e), ERR_OK, "%s", e.text);
    code = runner_run(client, &setup, writer, &record, &recorded, &e);
    cr_assert_eq(run_writer_close(writer, &written, &other), ERR_OK, "%s", other.text);
    record.rows = written.rows;
    snprintf(path, sizeof path, "%s/0005.csv.part", folder);
    snprintf(journal, sizeof journal, "%s/0005.json.part", folder);
    if (recorded) {
        run_columns_free(&columns);
        run_record_free(&journalled);
        cr_assert_eq(run_csv_read(path, &columns, &other), ERR_OK, "%s", other.text);
        cr_assert_eq(run_journal_read(journal, &journalled, &other), ERR_OK, "%s", other.text);
    }
    unlink(path);
    unlink(journal);
    rmdir(folder);
    rig_client_free(client);
    link_close(port);
    scripted_rig_end(&rig);
    cr_expect(!rig.armed, "the rig was left armed");
    return code;
}

static int times_sent(uint8_t command)
{
    int n = 0;
    for (size_t i = 0; i < rig.command_count; i++)
        n += rig.commands[i] == command;
    return n;
}

static bool has_event(const char *text)
{
    for (size_t i = 0; i < record.event_count; i++) {
        if (strstr(record.events[i].text, text) != NULL)
            return true;
    }
    return false;
}

Test(runner, whoever_looks_on_sees_rest_push_and_rest_apart)
{
    const struct script script = {.zero_counts = 7321};
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(looked[RUN_GLANCE_BEFORE].first_us, 0);
    cr_expect_leq(looked[RUN_GLANCE_BEFORE].last_us, record.push_start_us);
    cr_expect_geq(looked[RUN_GLANCE_BEFORE].n, 300);
    cr_expect_geq(looked[RUN_GLANCE_PUSH].first_us, looked[RUN_GLANCE_BEFORE].last_us);
    cr_expect_geq(looked[RUN_GLANCE_PUSH].last_steps, 390);
    cr_expect_geq(looked[RUN_GLANCE_PUSH].n, 790, "4 mm at 5 mm/s, %d samples",
                  (int)looked[RUN_GLANCE_PUSH].n);
    cr_expect_gt(looked[RUN_GLANCE_AFTER].first_us, looked[RUN_GLANCE_PUSH].last_us);
    cr_expect_eq(looked[RUN_GLANCE_AFTER].last_us, columns.time_us[columns.n - 1]);
    cr_expect_geq(looked[RUN_GLANCE_AFTER].n, 195);
}

Test(runner, a_push_runs_from_rest_to_rest)
{
    const struct script script = {.zero_counts = 7321};
    int64_t i = 0;
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_COMPLETE);
    cr_expect_str_eq(record.ended_why, "travel complete");
    cr_expect_str_eq(rig.configure.feeder, "gear-b");
    cr_expect_eq(rig.configure.nip_preload_mn, 41250);
    cr_expect_eq(rig.configure.sample_rate_millihertz, 1000000);
    cr_expect_eq(rig.move.speed_millisteps_s, 500000);
    cr_expect_eq(rig.move.acceleration_steps_s2, 25000);
    cr_expect_eq(rig.move.travel_microsteps, 400);
    cr_expect_eq(rig.arm.force_limit_high_counts, 27321, "around the run's own zero, not the calibration's");
    cr_expect_eq(rig.arm.force_limit_low_counts, -12679);
    cr_expect_eq(rig.arm.travel_limit_microsteps, 600);
    cr_expect_eq(rig.arm.time_limit_ms, 3000);
    cr_expect_eq((int64_t)columns.n, record.rows);
    cr_expect_eq(columns.time_us[0], 0);
    cr_expect_eq(columns.time_us[columns.n - 1], 1000 * (int64_t)(columns.n - 1),
                 "across the turn of the clock");
    cr_expect_geq(columns.time_us[columns.n - 1] - record.push_end_us, 200000);
    cr_expect_geq(record.push_start_us, 300000);
    /* The push is told to the sample: the last one at rest, and the one at which the travel was complete. */
    while (columns.commanded_steps[i + 1] == 0)
        i++;
    cr_expect_eq(record.push_start_us, columns.time_us[i]);
    while (columns.commanded_steps[i] < 399)
        i++;
    cr_expect_lt(llabs(record.push_end_us - columns.time_us[i]), 3000);
    cr_expect_eq(record.frames_missing, 0);
    cr_expect(has_event("armed") && has_event("motion done (400)") && has_event("motor cut"));
    cr_expect_eq(times_sent(WIRE_CUT), 1);
    cr_expect_gt(rig.keep_alives, 5);
    cr_expect_eq(strlen(record.start_time), 20);
    run_columns_free(&columns);
}

Test(runner, a_force_limit_is_found_by_the_rig)
{
    const struct script script = {.zero_counts = -500};
    cr_assert_eq(carry_out(&script, 2.5), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_LIMIT);
    cr_expect_str_eq(record.ended_why, "force limit on the rig");
    run_columns_free(&columns);
}

Test(runner, a_force_limit_is_found_by_the_host_when_the_rig_does_not)
{
    const struct script script = {.zero_counts = -500, .keeps_no_limits = true};
    cr_assert_eq(carry_out(&script, 2.5), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_LIMIT);
    cr_expect_str_eq(record.ended_why, "force limit, found by the host");
    cr_expect_eq(rig.arm.force_limit_high_counts, 2000);
    run_columns_free(&columns);
}

Test(runner, a_cell_that_counts_down_under_push_has_its_limits_the_other_way_round)
{
    const struct script script = {.counts_per_n = -870, .zero_counts = 12000, .keeps_no_limits = true};
    cr_assert_eq(carry_out(&script, 3), ERR_OK, "%s", e.text);
    cr_expect_eq(rig.arm.force_limit_low_counts, 12000 - 2610);
    cr_expect_eq(rig.arm.force_limit_high_counts, 12000 + 2610);
    cr_expect_eq(record.ended, RUN_LIMIT);
    run_columns_free(&columns);
}

Test(runner, the_end_of_the_travel_is_seen_without_the_rigs_word)
{
    const struct script script = {.forgets_motion_done = true, .newton_per_step = 1e-6};
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_COMPLETE, "the travel was seen complete without the rig's word");
    cr_expect(has_event("did not arrive"));
    run_columns_free(&columns);
}

Test(runner, a_lost_frame_is_a_gap_in_the_record)
{
    const struct script script = {.loses_frame_after = 300};
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_COMPLETE);
    cr_expect_eq(record.frames_missing, 1);
    cr_expect_eq(record.gaps, 1);
    cr_assert_eq(record.link.gap_count, 1);
    cr_expect_eq(record.link_gaps[0].frames, 1);
    cr_expect_eq(record.link_gaps[0].samples, 20);
    cr_expect_eq(record.link.samples_missing, 20);
    cr_assert_eq(journalled.link.gap_count, 1, "the journal tells the same");
    cr_expect_eq(journalled.link_gaps[0].samples, 20);
    cr_expect_eq(journalled.link_gaps[0].time_us, record.link_gaps[0].time_us);
    cr_expect_eq(journalled.push_start_us, record.push_start_us);
    cr_expect_eq(columns.time_us[columns.n - 1], 1000 * (int64_t)(columns.n - 1 + 20),
                 "nothing is filled in");
    run_columns_free(&columns);
}

Test(runner, a_request_to_stop_ramps_down_and_closes_the_run)
{
    const struct script script = {.stop_request_after = 200, .stop_request_count = 1};
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_INTERRUPTED);
    cr_expect_str_eq(record.ended_why, "stopped by the operator");
    cr_expect_eq(times_sent(WIRE_STOP), 1);
    cr_expect_eq(times_sent(WIRE_CUT), 1);
    cr_expect_gt(record.rows, 300);
    cr_expect_gt(record.push_end_us, record.push_start_us);
    run_columns_free(&columns);
}

Test(runner, a_second_request_cuts_without_a_ramp)
{
    const struct script script = {.stop_request_after = 200, .stop_request_count = 2};
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_INTERRUPTED);
    cr_expect_eq(times_sent(WIRE_STOP), 0);
    cr_expect_eq(times_sent(WIRE_CUT), 1);
    run_columns_free(&columns);
}

Test(runner, a_rig_that_falls_silent_ends_the_series)
{
    const struct script script = {.falls_silent_after = 200};
    cr_expect_eq(carry_out(&script, 20), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig has stopped sending samples");
    cr_expect_eq(record.ended, RUN_FAULT);
    cr_expect_geq(times_sent(WIRE_CUT), 1);
    run_columns_free(&columns);
}

Test(runner, a_rig_that_restarts_ends_the_series)
{
    const struct script script = {.restarts_after = 300};
    cr_expect_eq(carry_out(&script, 20), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig restarted");
    cr_expect_eq(record.ended, RUN_FAULT);
    cr_expect_str_eq(record.ended_why, "the rig restarted");
    cr_expect(has_event("the rig restarted (boot 4098)"));
    run_columns_free(&columns);
}

Test(runner, an_emergency_stop_seen_in_the_samples_ends_the_series)
{
    const struct script script = {.emergency_after = 250};
    cr_expect_eq(carry_out(&script, 20), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig's emergency stop is pressed");
    cr_expect_eq(record.ended, RUN_FAULT);
    cr_expect_geq(times_sent(WIRE_CUT), 1);
    run_columns_free(&columns);
}

Test(runner, a_refused_move_is_a_fault_with_the_rigs_reason)
{
    const struct script script = {.refuses = WIRE_MOVE, .reason = WIRE_REFUSED_OUT_OF_RANGE};
    cr_expect_eq(carry_out(&script, 20), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig refused 'move': a number the rig cannot carry out");
    cr_expect_eq(record.ended, RUN_FAULT);
    run_columns_free(&columns);
}

/* Rows from one turn of the feed to the next: where it stands after each way, in microsteps. */
static size_t turns(int32_t *where, size_t room)
{
    size_t n = 0;
    int32_t direction = 0;
    for (size_t i = 1; i < columns.n; i++) {
        int32_t moved = columns.commanded_steps[i] - columns.commanded_steps[i - 1];
        if (moved == 0)
            continue;
        if (direction != 0 && (moved > 0) != (direction > 0) && n < room)
            where[n++] = columns.commanded_steps[i - 1];
        direction = moved;
    }
    return n;
}

Test(runner, a_reversal_goes_forward_and_back_in_one_arming)
{
    const struct script script = {.zero_counts = 7321};
    int32_t where[8];
    size_t i = 0;
    size_t last = 0;
    cycles = 3;
    time_limit_s = 9;
    record.cleaned = true;
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_COMPLETE);
    cr_expect_str_eq(record.ended_why, "travel complete");
    cr_expect_eq(times_sent(WIRE_ARM), 1);
    cr_expect_eq(times_sent(WIRE_MOVE), 6);
    cr_expect_eq(times_sent(WIRE_CUT), 1);
    cr_expect_eq(rig.move.speed_millisteps_s, -500000, "of the last way");
    cr_expect_eq(rig.move.travel_microsteps, 400);
    cr_assert_eq(turns(where, 8), 5);
    for (size_t turn = 0; turn < 5; turn++)
        cr_expect_eq(where[turn], turn % 2 == 0 ? 400 : 0, "after way %zu", turn + 1);
    cr_expect_eq(columns.commanded_steps[columns.n - 1], 0, "every cycle ends where it began");
    while (columns.commanded_steps[i + 1] == 0)
        i++;
    cr_expect_eq(record.push_start_us, columns.time_us[i], "the first motion");
    for (i = 0; i < columns.n; i++) {
        if (columns.commanded_steps[i] != 0)
            last = i;
    }
    cr_expect_lt(llabs(record.push_end_us - columns.time_us[last]), 4000, "the end of the last way");
    cr_expect_str_eq(record.events[0].text, "drive gear cleaned");
    cr_expect_eq(record.events[0].time_us, 0);
    run_columns_free(&columns);
}

Test(runner, a_reversal_goes_on_when_the_rigs_word_is_lost_or_late)
{
    static const struct script SCRIPTS[] = {{.forgets_motion_done = true}, {.tells_late = true}};
    for (size_t s = 0; s < 2; s++) {
        int32_t where[6];
        cycles = 2;
        time_limit_s = 9;
        cr_assert_eq(carry_out(&SCRIPTS[s], 20), ERR_OK, "%s", e.text);
        cr_expect_eq(record.ended, RUN_COMPLETE, "%zu: %s", s, record.ended_why);
        cr_expect_eq(times_sent(WIRE_MOVE), 4);
        cr_assert_eq(turns(where, 6), 3);
        cr_expect(where[0] == 400 && where[1] == 0 && where[2] == 400);
        cr_expect_eq(columns.commanded_steps[columns.n - 1], 0);
        cr_expect_eq(has_event("did not arrive"), s == 0);
        run_columns_free(&columns);
    }
}

Test(runner, limits_hold_on_the_way_back_too)
{
    /* The time limit of 3 s falls into the fourth way of 0.8 s; the rig of the second script keeps none. */
    static const struct script SCRIPTS[] = {{.zero_counts = 31},
                                            {.zero_counts = 31, .keeps_no_limits = true}};
    static const double FORCE_N[] = {2.5, 20};
    static const char *const WHY[] = {"force limit on the rig", "time limit, found by the host"};
    for (size_t s = 0; s < 2; s++) {
        cycles = 3;
        cr_assert_eq(carry_out(&SCRIPTS[s], FORCE_N[s]), ERR_OK, "%s", e.text);
        cr_expect_eq(record.ended, RUN_LIMIT);
        cr_expect_str_eq(record.ended_why, WHY[s]);
        cr_expect_eq(times_sent(WIRE_MOVE), s == 0 ? 1 : 4);
        run_columns_free(&columns);
    }
}

Test(runner, a_reversal_that_ends_elsewhere_is_a_fault_of_that_run)
{
    const struct script script = {.stops_short = 7};
    cycles = 2;
    cr_expect_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_FAULT);
    cr_expect_str_eq(record.ended_why, "the rig stopped at 7 microsteps, not at 0");
    cr_expect_eq(times_sent(WIRE_MOVE), 2);
    run_columns_free(&columns);
}

Test(runner, a_reversal_is_stopped_on_any_way)
{
    const struct script script = {.stop_request_after = 200, .stop_request_count = 1, .acts_in_move = 4};
    cycles = 3;
    cr_assert_eq(carry_out(&script, 20), ERR_OK, "%s", e.text);
    cr_expect_eq(record.ended, RUN_INTERRUPTED);
    cr_expect_str_eq(record.ended_why, "stopped by the operator");
    cr_expect_eq(times_sent(WIRE_MOVE), 4);
    cr_expect_eq(times_sent(WIRE_STOP), 1);
    cr_expect_eq(times_sent(WIRE_CUT), 1);
    run_columns_free(&columns);
}

Test(runner, what_the_rig_cannot_do_is_said_before_anything_moves)
{
    static const struct {
        const char *what;
        double sample_rate_hz, speed_mm_s, travel_mm, force_limit_n;
        int microsteps, full_steps;
        const char *text;
    } CASES[] = {
        {"all fits", 1000, 5, 4, 20, 16, 200, NULL},
        {"rate", 1000.5, 5, 4, 20, 16, 200,
         "rate_hz: this rig samples at most 1000 times a second, not 1000.5"},
        {"speed", 1000, 22000, 4, 20, 16, 200,
         "feeder gear-b: 22000 mm/s is 2.2e+06 microsteps a second, which no rig can do"},
        {"travel", 1000, 5, 0.004, 20, 16, 200,
         "feeder gear-b: a travel of 0.004 mm is not possible in microsteps of 0.01 mm"},
        {"force", 1000, 5, 4, 90, 16, 200,
         "force_n: 90 N would read 90100 counts, outside this rig's converter (-40000 to 70000)"},
        {"microsteps", 1000, 5, 4, 20, 8, 200,
         "feeder gear-b: the rig's driver is set to 16 microsteps, the plan says 8"},
        {"steps", 1000, 5, 4, 20, 16, 400,
         "feeder gear-b: the rig's motor has 200 full steps a turn, the plan says 400"},
    };
    const struct wire_identity identity = {.sample_rate_max_millihertz = 1000000,
                                           .counts_min = -40000,
                                           .counts_max = 70000,
                                           .full_steps_per_rev = 200,
                                           .microsteps = 16};
    calibration.degree = 1;
    calibration.coefficients[0] = 100;
    calibration.coefficients[1] = 1000;
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct runner_setup setup = {
            .travel_mm = CASES[i].travel_mm, .acceleration_mm_s2 = 200, .calibration = &calibration};
        struct run_record r = {.speed_mm_s = CASES[i].speed_mm_s,
                               .sample_rate_hz = CASES[i].sample_rate_hz,
                               .force_limit_n = CASES[i].force_limit_n,
                               .travel_limit_mm = 10,
                               .microsteps = CASES[i].microsteps,
                               .full_steps_per_rev = CASES[i].full_steps,
                               .mm_per_microstep = 0.01,
                               .feeder = "gear-b"};
        enum err_code code = runner_check(&identity, &setup, &r, "some/plan.yaml", &e);
        if (CASES[i].text == NULL) {
            cr_expect_eq(code, ERR_OK, "%s: %s", CASES[i].what, e.text);
        } else {
            cr_expect_eq(code, ERR_FILE, "%s", CASES[i].what);
            cr_expect_str_eq(e.text, CASES[i].text, "%s", CASES[i].what);
            cr_expect_str_eq(e.file, "some/plan.yaml");
        }
    }
}

Test(runner, feed_per_microstep_is_the_calibrated_one_where_there_is_one)
{
    struct plan_feeder feeder = {.name = "gear-b",
                                 .drive_diameter_mm = 8.13,
                                 .full_steps_per_rev = 200,
                                 .microsteps = 16,
                                 .reduction = 3};
    struct calibration c = {.feed_count = 1, .feeds = {{.feeder = "gear-a", .mm_per_microstep = 0.0123}}};
    cr_expect_float_eq(runner_mm_per_microstep(&feeder, &c), 3.14159265358979323846 * 8.13 / 9600, 1e-15);
    snprintf(feeder.name, sizeof feeder.name, "gear-a");
    cr_expect_eq(runner_mm_per_microstep(&feeder, &c), 0.0123);
}
