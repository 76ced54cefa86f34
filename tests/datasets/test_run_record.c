#include "datasets/format/run_record.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

TestSuite(run_record, .init = scratch_begin, .fini = scratch_end);

Test(run_record, a_record_comes_back_as_it_was)
{
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    memset(back, 0xA5, sizeof *back);
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->number == 3 && back->test == PLAN_SPEED_SWEEP && back->speed_mm_s == 11.5);
    cr_expect_str_eq(back->feeder, "gear-12");
    cr_expect(back->block == 2 && back->order == 7);
    cr_expect_eq(back->conditions, r.conditions);
    cr_expect(back->drive_diameter_mm == 11.9 && back->drive_diameter_standard_uncertainty_mm == 0.07);
    cr_expect(back->reduction == 3.5 && back->teeth == 41 && back->full_steps_per_rev == 400 &&
              back->microsteps == 32);
    cr_expect_eq(back->mm_per_microstep, 0.1 / 3, "no digit is lost");
    cr_expect(back->simulated);
    cr_expect_str_eq(back->start_time, r.start_time);
    cr_expect_str_eq(back->rig_serial, "rig-0417");
    cr_expect_str_eq(back->rig_firmware, "0.3.1");
    cr_expect_eq(back->boot, 3735928559u);
    cr_expect(back->sample_rate_hz == 997.5 && back->counts_min == -8388608 && back->counts_max == 8388607);
    cr_expect(back->force_limit_n == 180.5 && back->travel_limit_mm == 40 && back->time_limit_s == 30);
    cr_expect(back->push_start_us == 751003 && back->push_end_us == 2931877);
    cr_expect(back->rows == 3 && back->frames_missing == 5 && back->frames_corrupt == 1 && back->gaps == 2);
    cr_expect_eq(back->ended, RUN_LIMIT);
    cr_expect_str_eq(back->ended_why, "force limit on the rig");
    cr_assert_eq(back->event_count, 2);
    cr_expect_eq(back->events[1].time_us, 2931877);
    cr_expect_str_eq(back->events[1].text, "motor cut");
    run_record_free(back);
    free(back);
    run_record_free(&r);
}

Test(run_record, what_cannot_be_is_refused)
{
    static const struct {
        const char *legend, *from, *to, *message;
    } rows[] = {
        {"another schema", "run-1", "run-9", "'nipbench-run-9' is not known"},
        {"an unknown key", "\"gaps\"", "\"note\": 1, \"gaps\"", "note: is no known key"},
        {"a key left out", "\"gaps\": 2,", "", "gaps: is missing"},
        {"a duplicate key", "\"gaps\": 2,", "\"gaps\": 2, \"gaps\": 3,", "duplicate"},
        {"less than no gaps", "\"gaps\": 2", "\"gaps\": -1", "gaps: -1 is outside 0"},
        {"a text for a number", "\"rows\": 3", "\"rows\": \"3\"", "rows: must be a whole number"},
        {"a fraction of a row", "\"rows\": 3", "\"rows\": 3.5", "rows: must be a whole number"},
        {"less than no rows", "\"rows\": 3", "\"rows\": -1", "rows: -1 is outside 0 to"},
        {"more rows than a file holds", "\"rows\": 3", "\"rows\": 99999999999", "outside"},
        {"run 0", "\"number\": 3", "\"number\": 0", "number: 0 is outside 1 to 9999"},
        {"an unknown test", "\"speed-sweep\"", "\"sweep\"", "test: 'sweep' is not known"},
        {"an unknown end", "\"limit\"", "\"bored\"", "ended: 'bored' is not known"},
        {"a feeder with a path", "\"gear-12\"", "\"../x\"", "feeder: '../x' must be made of"},
        {"no feeder", "\"gear-12\"", "\"\"", "feeder: '' must be made of"},
        {"a feeder too long", "\"gear-12\"", "\"gear-aaaaaaaaaabbbbbbbbbbcccccccccc\"",
         "feeder: is 35 bytes"},
        {"a control character", "\"rig-0417\"", "\"rig\\u001b[2J\"", "control character"},
        {"a word for simulated", "\"simulated\": true", "\"simulated\": 1",
         "simulated: must be true or false"},
        {"no time", "2031-04-05T16:31:42.125Z", "noon", "start_time: 'noon'"},
        {"a boot number past 32 bits", "3735928559", "4294967296", "boot: 4294967296 is outside"},
        {"a rate of nothing", "997.5", "0.0", "sample_rate_hz"},
        {"counts upside down", "\"counts_min\": -8388608", "\"counts_min\": 8388607",
         "counts_min must be below"},
        {"a push that ends first", "\"push_end_us\": 2931877", "\"push_end_us\": 751002",
         "push_end_us must not be before"},
        {"a push before the run", "\"push_start_us\": 751003", "\"push_start_us\": -1", "push_start_us: -1"},
        {"conditions that are a list", "\"conditions\": {", "\"conditions\": [], \"x_c\": {",
         "must be an object"},
        {"an unknown condition", "\"filament_lot\"", "\"filament_lott\"", "conditions.filament_lott"},
        {"events that are a number", "\"events\": [", "\"events\": 3, \"x_e\": [",
         "events: must be an array"},
        {"an event without text", "\"text\": \"armed\"", "\"x_text\": \"armed\"",
         "events[].text: is missing"},
        {"an event with more", "\"text\": \"armed\"", "\"text\": \"armed\", \"by\": 3", "events[].by"},
        {"an event that is a number", "\"events\": [", "\"events\": [3, ", "events[].time_us: is missing"},
        {"a torn file", "\n}\n", "\n", "not valid JSON"},
    };
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    char *text;
    cr_assert_eq(run_record_write(scratch_path("good.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("good.json");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *bad = scratch_replace(text, rows[i].from, rows[i].to);
        memset(&e, 0, sizeof e);
        cr_expect_eq(run_record_read(scratch_write("r.json", bad), back, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && strstr(e.file, "r.json") != NULL, "%s: %s",
                  rows[i].legend, e.text);
        free(bad);
    }
    free(text);
    free(back);
    run_record_free(&r);
}

Test(run_record, more_events_than_there_is_room_for_are_refused)
{
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    char *text;
    char *bad;
    char many[64 * 40] = "\"events\": [";
    while (r.event_count < SERIES_EVENTS_MAX)
        cr_assert(run_record_add_event(&r, 751003, "armed"));
    cr_assert(run_record_add_event(&r, 751004, "past the last"), "which is passed over");
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(back->event_count, SERIES_EVENTS_MAX);
    run_record_free(back);
    text = scratch_read("r.json");
    strcat(many, "{\"time_us\": 4, \"text\": \"one more\"}, ");
    bad = scratch_replace(text, "\"events\": [", many);
    cr_expect_eq(run_record_read(scratch_write("r.json", bad), back, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "65 are too many; at most 64"), "%s", e.text);
    free(bad);
    free(text);
    r.event_count = SERIES_EVENTS_MAX + 1;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_CALLER);
    r.event_count = SERIES_EVENTS_MAX;
    free(back);
    run_record_free(&r);
}

Test(run_record, a_text_of_an_event_is_cut_and_copied_and_events_may_be_taken_back)
{
    struct run_record r = {0};
    char text[SERIES_EVENT_TEXT_MAX + 9] = "";
    memset(text, 'x', sizeof text - 1);
    cr_assert(run_record_add_event(&r, 17, text));
    cr_assert(run_record_add_event(&r, 18, "kept no longer"));
    text[0] = 'y';
    cr_expect(r.events[0].text[0] == 'x' && strlen(r.events[0].text) == SERIES_EVENT_TEXT_MAX);
    run_record_cut_events(&r, 1);
    run_record_cut_events(&r, 5);
    cr_expect(r.event_count == 1 && r.events[0].time_us == 17);
    cr_assert(run_record_add_gap(&r, &(struct run_gap){17, 1, 2, 3}));
    run_record_free(&r);
    cr_expect(r.events == NULL && r.event_count == 0 && r.link_gaps == NULL && r.link.gap_count == 0);
    cr_expect_eq(r.gaps, 1, "the counts stay");
    run_record_free(&r);
    run_record_free(NULL);
    /* A report holds one of each of its runs, of which there may be thousands. */
    cr_expect_lt(sizeof r, 900);
}

Test(run_record, what_could_not_be_read_back_is_not_written)
{
    struct run_record r = scratch_record();
    struct err e;
    r.speed_mm_s = NAN;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_CALLER);
    run_record_free(&r);
    r = scratch_record();
    r.start_time[0] = 0;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "start_time"));
    run_record_free(&r);
    r = scratch_record();
    r.ended = RUN_ENDS;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_CALLER);
    cr_expect_null(scratch_read("r.json"));
    run_record_free(&r);
    r = scratch_record();
    cr_expect_eq(run_record_write(scratch_path("none/r.json"), &r, &e), ERR_SYSTEM);
    run_record_free(&r);
    cr_expect_eq(run_record_read(scratch_path("none.json"), &r, &e), ERR_FILE);
}

Test(run_record, one_that_lacks_events_is_not_written)
{
    struct run_record r = scratch_record();
    struct err e;
    r.incomplete = true;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_MEMORY);
    cr_expect_not_null(strstr(e.text, "recovers the run"), "%s", e.text);
    cr_expect_neq(access(scratch_path("r.json"), F_OK), 0);
    run_record_free(&r);
    cr_expect_not(r.incomplete, "empty lists lack nothing");
}

Test(run_record, what_a_device_said_is_cleaned_and_kept)
{
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    r.ended_why = "stuck \x1b[2J\xFF at 3 \xc2\xb0";
    run_record_free(&r);
    cr_assert(run_record_add_event(&r, 751003, "tab\there"));
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(back->ended_why, "stuck ?[2J? at 3 \xc2\xb0");
    cr_expect_str_eq(back->events[0].text, "tab?here");
    run_record_free(back);
    free(back);
    run_record_free(&r);
}

/* Many runs state the same: records of it share it, and one in which nothing was put is as one with "". */
Test(run_record, what_records_state_alike_is_there_once)
{
    struct run_record r = scratch_record(), first, second, empty;
    struct err e;
    cr_assert_eq(run_record_write(scratch_path("1.json"), &r, &e), ERR_OK, "%s", e.text);
    r.rig_serial = "rig-0418";
    cr_assert_eq(run_record_write(scratch_path("2.json"), &r, &e), ERR_OK, "%s", e.text);
    r.conditions = NULL;
    r.rig_serial = r.rig_firmware = r.ended_why = NULL;
    cr_assert_eq(run_record_write(scratch_path("3.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("1.json"), &first, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("2.json"), &second, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("3.json"), &empty, &e), ERR_OK, "%s", e.text);
    cr_expect(first.conditions == second.conditions && first.rig_firmware == second.rig_firmware &&
              first.ended_why == second.ended_why);
    cr_expect_str_eq(first.rig_serial, "rig-0417");
    cr_expect_str_eq(second.rig_serial, "rig-0418");
    cr_expect(empty.rig_serial[0] == 0 && empty.rig_firmware[0] == 0 && empty.ended_why[0] == 0);
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        cr_expect(!run_record_conditions(&empty)->stated[i] && !run_record_conditions(&r)->stated[i]);
    run_record_free(&first);
    run_record_free(&second);
    run_record_free(&empty);
    run_record_free(&r);
}

Test(run_record, why_it_ended_is_cut_to_what_can_be_read_back)
{
    struct run_record r = scratch_record(), back;
    char why[3 * SERIES_EVENT_TEXT_MAX];
    struct err e;
    memset(why, 'w', sizeof why);
    why[sizeof why - 1] = 0;
    cr_assert(run_record_set_why(&r, why));
    cr_expect_eq(strlen(r.ended_why), SERIES_EVENT_TEXT_MAX);
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), &back, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(back.ended_why, r.ended_why, "both are the one copy");
    run_record_free(&back);
    /* One byte more, as another program might write it, is refused. */
    r.rig_serial = "0123456789012345678901234567890123";
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "rig_serial"), "%s", e.text);
    run_record_free(&r);
}

Test(run_record, what_a_test_of_a_kind_adds_comes_back)
{
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    memset(back, 0xA5, sizeof *back);
    r.test = PLAN_MELT_PUSH;
    r.rate_mm3_s = 11.25;
    r.travel_mm = 18.75;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->test == PLAN_MELT_PUSH && back->rate_mm3_s == 11.25 && back->travel_mm == 18.75);
    cr_expect(back->cycles == 0 && back->repeat == 0 && !back->cleaned, "what is left out is nothing");
    r.test = PLAN_REVERSAL;
    r.rate_mm3_s = 0;
    r.cycles = 7;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(back);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->test == PLAN_REVERSAL && back->cycles == 7 && back->rate_mm3_s == 0);
    r.test = PLAN_ENDURANCE;
    r.cycles = 0;
    r.repeat = 31;
    r.cleaned = true;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(back);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->test == PLAN_ENDURANCE && back->repeat == 31 && back->cleaned && back->cycles == 0);
    run_record_free(back);
    free(back);
    run_record_free(&r);
}

Test(run_record, nothing_is_written_of_what_a_run_does_not_have)
{
    static const char *const keys[] = {"rate_mm3_s", "\"travel_mm\"", "cycles", "\"repeat\"", "cleaned"};
    struct run_record r = scratch_record();
    struct err e;
    char *text;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("r.json");
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
        cr_expect_null(strstr(text, keys[i]), "%s", keys[i]);
    free(text);
    r.travel_mm = 18.75;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("r.json");
    cr_expect_not_null(strstr(text, "\"travel_mm\": 18.75"));
    free(text);
    run_record_free(&r);
}

Test(run_record, what_a_run_cannot_have_is_refused)
{
    static const struct {
        const char *legend, *to, *message;
    } rows[] = {
        {"a negative rate", "\"rate_mm3_s\": -1.5", "rate_mm3_s: -1.5 is outside 0"},
        {"a rate of a sweep", "\"rate_mm3_s\": 1.5", "rate_mm3_s: only melt-push has a volumetric rate"},
        {"a rate in words", "\"rate_mm3_s\": \"fast\"", "rate_mm3_s: must be a number"},
        {"a travel backward", "\"travel_mm\": -0.5", "travel_mm: -0.5 is outside 0"},
        {"a travel of null", "\"travel_mm\": null", "travel_mm: must be a number"},
        {"half a cycle", "\"cycles\": 2.5", "cycles: must be a whole number"},
        {"too many cycles", "\"cycles\": 1001", "cycles: 1001 is outside 0 to 1000"},
        {"cycles of a sweep", "\"cycles\": 3", "cycles: only reversal has cycles"},
        {"less than no repeat", "\"repeat\": -1", "repeat: -1 is outside 0"},
        {"a repeat of a sweep", "\"repeat\": 4", "repeat: only endurance has repeats"},
        {"cleaned how often", "\"cleaned\": 2", "cleaned: must be true or false"},
    };
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    char *text;
    cr_assert_eq(run_record_write(scratch_path("good.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("good.json");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char with[120];
        char *bad;
        snprintf(with, sizeof with, "%s, \"gaps\"", rows[i].to);
        bad = scratch_replace(text, "\"gaps\"", with);
        memset(&e, 0, sizeof e);
        cr_expect_eq(run_record_read(scratch_write("r.json", bad), back, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
        free(bad);
    }
    free(text);
    free(back);
    run_record_free(&r);
}

/* scratch_record with a value in every field of the link. */
static struct run_record linked_record(void)
{
    struct run_record r = scratch_record();
    r.plan_run = 417;
    r.durable_within_ms = 131.75;
    r.frames_missing = r.gaps = 0;
    r.link_recorded = true;
    r.link = (struct run_link){.frames_repeated = 3,
                               .frames_late = 2,
                               .samples_backward = 5,
                               .clock_ppm = -187.5,
                               .clock_standard_uncertainty_ppm = 2.385};
    run_record_add_gap(&r, &(struct run_gap){0, 1, 4, 0});
    run_record_add_gap(&r, &(struct run_gap){751003, 1, 3, 60});
    return r;
}

Test(run_record, what_the_link_did_comes_back)
{
    struct run_record r = linked_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    memset(back, 0xA5, sizeof *back);
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->plan_run == 417 && back->durable_within_ms == 131.75 && back->link_recorded);
    cr_expect(back->frames_missing == 7 && back->gaps == 2 && back->link.samples_missing == 60);
    cr_expect(back->link.frames_repeated == 3 && back->link.frames_late == 2 &&
              back->link.samples_backward == 5);
    cr_expect(back->link.clock_ppm == -187.5 && back->link.clock_standard_uncertainty_ppm == 2.385);
    cr_assert_eq(back->link.gap_count, 2);
    cr_expect_eq(memcmp(back->link_gaps, r.link_gaps, 2 * sizeof *r.link_gaps), 0);
    r.link.clock_ppm = r.link.clock_standard_uncertainty_ppm = NAN;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(back);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(isnan(back->link.clock_ppm) && isnan(back->link.clock_standard_uncertainty_ppm));
    /* A record of an earlier version. */
    run_record_free(&r);
    r = scratch_record();
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(back);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(!back->link_recorded && back->plan_run == 0 && back->durable_within_ms == 0 &&
              back->link.gap_count == 0 && back->frames_missing == 5 && isnan(back->link.clock_ppm));
    run_record_free(back);
    free(back);
    run_record_free(&r);
}

/* A record with one passage replaced, and what reading it must say. */
struct refusal {
    const char *legend, *from, *to, *message;
};

static void expect_refusals(const struct run_record *r, const struct refusal *rows, size_t count)
{
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    char *text;
    cr_assert_eq(run_record_write(scratch_path("good.json"), r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("good.json");
    for (size_t i = 0; i < count; i++) {
        char *bad = scratch_replace(text, rows[i].from, rows[i].to);
        memset(&e, 0, sizeof e);
        cr_expect_eq(run_record_read(scratch_write("r.json", bad), back, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s: %s", rows[i].legend, e.text);
        free(bad);
    }
    free(text);
    free(back);
}

Test(run_record, a_repeat_names_the_run_that_it_repeats)
{
    static const struct refusal rows[] = {
        {"none", "\"repeats\": 4", "\"repeats\": 0", "repeats: 0 is outside 1 to 9999"},
        {"itself", "\"repeats\": 4", "\"repeats\": 5", "repeats: run 5 can only repeat one before it, not 5"},
        {"a later one", "\"repeats\": 4", "\"repeats\": 6", "can only repeat one before it, not 6"},
    };
    struct run_record r = scratch_record();
    struct run_record back;
    struct err e;
    char *text;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("r.json");
    cr_expect_null(strstr(text, "repeats"), "left out where there is nothing to say");
    cr_expect_null(strstr(text, "repeated_by"));
    free(text);
    r.number = 5;
    r.repeats = 4;
    r.repeated_by = 8;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), &back, &e), ERR_OK, "%s", e.text);
    cr_expect(back.repeats == 4 && back.repeated_by == 0, "only the later record tells of it");
    run_record_free(&back);
    expect_refusals(&r, rows, sizeof rows / sizeof rows[0]);
    run_record_free(&r);
}

Test(run_record, nothing_of_the_link_is_written_where_none_was_recorded)
{
    static const char *const keys[] = {"\"link\"", "plan_run", "durable_within_ms"};
    struct run_record r = scratch_record();
    struct err e;
    char *text;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("r.json");
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
        cr_expect_null(strstr(text, keys[i]), "%s", keys[i]);
    free(text);
    run_record_free(&r);
}

Test(run_record, a_link_that_cannot_be_is_refused)
{
    static const struct refusal rows[] = {
        {"place 0 of the plan", "\"plan_run\": 417", "\"plan_run\": 0", "plan_run: 0 is outside 1 to 1000"},
        {"a place past any plan", "\"plan_run\": 417", "\"plan_run\": 1001", "plan_run: 1001 is outside"},
        {"durable before it came", "131.75", "-1.5", "durable_within_ms: -1.5 is outside"},
        {"a link that is a list", "\"link\": {", "\"link\": [], \"x_l\": {", "link: must be an object"},
        {"an unknown key", "\"frames_late\"", "\"by\": 1, \"frames_late\"", "link.by: is no known key"},
        {"no count of late frames", "\"frames_late\"", "\"x_late\"", "link.frames_late: is missing"},
        {"no list of gaps", "\"gaps\": [", "\"x_gaps\": [", "link.gaps: is missing"},
        {"gaps that are a number", "\"gaps\": [", "\"gaps\": 2, \"x_gaps\": [",
         "link.gaps: must be an array"},
        {"less than no repeats", "\"frames_repeated\": 3", "\"frames_repeated\": -3",
         "link.frames_repeated: -3"},
        {"half a sample", "\"samples_backward\": 5", "\"samples_backward\": 5.5", "must be a whole number"},
        {"a clock in words", "-187.5", "\"fast\"", "link.clock_ppm: must be a number"},
        {"a clock without uncertainty", "2.385", "null", "must be null together"},
        {"an uncertainty without clock", "-187.5", "null", "must be null together"},
        {"an uncertainty below 0", "2.385", "-2.5", "link.clock_standard_uncertainty_ppm: -2.5 is outside"},
        {"a gap without a time", "\"time_us\": 751003\n      }\n    ]", "\"x_t\": 751003 } ]",
         "link.gaps[].time_us: is missing"},
        {"a gap with more", "\"samples\": 60", "\"samples\": 60, \"by\": 1", "link.gaps[].by"},
        {"a gap of no place", "\"places\": 1", "\"places\": 0", "link.gaps[].places: 0 is outside 1"},
        {"a gap that sums up in front", "\"places\": 1", "\"places\": 2", "only the last of 64 gaps"},
        {"a gap before the one above", "\"time_us\": 0", "\"time_us\": 751004",
         "751003 is before the gap above (751004)"},
        {"frames that do not add up", "\"frames\": 4", "\"frames\": 5",
         "frames_missing: is 7, but the frames in link.gaps add up to 8"},
        {"samples that do not add up", "\"samples\": 60", "\"samples\": 61",
         "link.samples_missing: is 60, but the samples in link.gaps add up to 61"},
        {"gaps that do not add up", "\"gaps\": 2", "\"gaps\": 3",
         "gaps: is 3, but the places in link.gaps add up to 2"},
        {"more late than missing", "\"frames_late\": 2", "\"frames_late\": 8",
         "more than the 7 frames_missing"},
    };
    struct run_record r = linked_record();
    expect_refusals(&r, rows, sizeof rows / sizeof rows[0]);
    run_record_free(&r);
}

Test(run_record, gaps_fill_the_list_and_are_then_summed_up)
{
    struct run_record r = scratch_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    char *text;
    char *bad;
    r.frames_missing = r.gaps = 0;
    r.link_recorded = true;
    for (int64_t i = 0; i < 1000; i++)
        run_record_add_gap(&r, &(struct run_gap){i, 1, 2, 3});
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect(back->link.gap_count == SERIES_GAPS_MAX && back->gaps == 1000 && back->frames_missing == 2000 &&
              back->link.samples_missing == 3000);
    cr_expect(back->link_gaps[63].time_us == 63 && back->link_gaps[63].places == 937 &&
              back->link_gaps[63].frames == 1874 && back->link_gaps[63].samples == 2811);
    run_record_free(back);
    text = scratch_read("r.json");
    bad = scratch_replace(text, "\"gaps\": [",
                          "\"gaps\": [{\"time_us\": 0, \"places\": 1, \"frames\": 1, \"samples\": 1}, ");
    cr_expect_eq(run_record_read(scratch_write("r.json", bad), back, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "link.gaps: 65 are too many; at most 64"), "%s", e.text);
    free(bad);
    free(text);
    r.link.gap_count = SERIES_GAPS_MAX + 1;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_CALLER);
    run_record_free(&r);
    r = linked_record();
    r.link.samples_missing++;
    cr_expect_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_FILE, "what could not be read back");
    free(back);
    run_record_free(&r);
}

static struct run_record separate_record(void)
{
    static const struct run_separate separate = {.force_interval_s = 0.1031,
                                                 .force_interval_sd_s = 0.00431,
                                                 .force_latency_s = 0.0571,
                                                 .force_latency_standard_uncertainty_s = 0.00323,
                                                 .feed_latency_s = 0.0219,
                                                 .feed_latency_standard_uncertainty_s = 0.00617,
                                                 .force_resolution_n = 0.02};
    struct run_record r = scratch_record();
    r.separate = &separate;
    return r;
}

Test(run_record, separate_instruments_come_back)
{
    struct run_record r = separate_record();
    struct run_record *back = malloc(sizeof *back);
    struct err e;
    char *text;
    memset(back, 0xA5, sizeof *back);
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_assert(back->separate != NULL && back->separate != r.separate);
    cr_expect_eq(memcmp(back->separate, r.separate, sizeof *r.separate), 0);
    r.separate = NULL;
    cr_assert_eq(run_record_write(scratch_path("r.json"), &r, &e), ERR_OK, "%s", e.text);
    text = scratch_read("r.json");
    cr_expect_null(strstr(text, "separate_instruments"), "a rig of one piece says nothing");
    free(text);
    run_record_free(back);
    cr_assert_eq(run_record_read(scratch_path("r.json"), back, &e), ERR_OK, "%s", e.text);
    cr_expect_null(back->separate);
    run_record_free(back);
    free(back);
    run_record_free(&r);
}

Test(run_record, separate_instruments_that_cannot_be_are_refused)
{
    static const struct refusal rows[] = {
        {"a list", "\"separate_instruments\": {", "\"separate_instruments\": [], \"x_s\": {",
         "separate_instruments: must be an object"},
        {"an unknown key", "\"force_interval_s\"", "\"by\": 1, \"force_interval_s\"",
         "separate_instruments.by: is no known key"},
        {"a key left out", "\"feed_latency_s\"", "\"x_feed\"",
         "separate_instruments.feed_latency_s: is missing"},
        {"no time between readings", "0.1031", "0.0",
         "separate_instruments.force_interval_s: 0 is outside 1e-06 to 100"},
        {"a scatter below 0", "0.00431", "-0.5", "separate_instruments.force_interval_sd_s: -0.5 is outside"},
        {"a reading before its force", "0.0571", "-0.5",
         "separate_instruments.force_latency_s: -0.5 is outside 0 to 10"},
        {"a latency in words", "0.0219", "\"short\"",
         "separate_instruments.feed_latency_s: must be a number"},
        {"an uncertainty of minutes", "0.00617", "60",
         "separate_instruments.feed_latency_standard_uncertainty_s: 60 is outside 0 to 10"},
        {"an uncertainty that is not known", "0.00323", "null",
         "separate_instruments.force_latency_standard_uncertainty_s: must be a number"},
        {"a gauge without a last digit", "_resolution_n\": 0.02", "_resolution_n\": 0.0",
         "force_resolution_n: 0 is outside 1e-09"},
    };
    struct run_record r = separate_record();
    expect_refusals(&r, rows, sizeof rows / sizeof rows[0]);
    run_record_free(&r);
}
