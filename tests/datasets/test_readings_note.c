#include "datasets/format/readings_note.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

TestSuite(readings_note, .init = scratch_begin, .fini = scratch_end);

static const char FORCE[] =
    "{\"schema\": \"nipbench-readings-1\", \"date\": \"2031-04-05T16:07:08Z\", \"simulated\": true,\n"
    " \"rig\": {\"serial\": \"R-17\", \"firmware\": \"f\", \"boot\": 3, \"sample_rate_hz\": 1000,\n"
    "           \"counts_min\": -8388608, \"counts_max\": 8388607},\n"
    " \"steady\": {}, \"unit\": \"kg\", \"loads\": [],\n"
    " \"gravity\": {\"value_m_s2\": 9.80853, \"origin\": \"latitude and height\", \"latitude_deg\": 47.5,\n"
    "              \"standard_uncertainty_m_s2\": 0.0005, \"height_m\": 412},\n"
    " \"density_kg_m3\": 7850, \"air_density_kg_m3\": 1.2, \"tolerance_mg\": null,\n"
    " \"tolerance_relative\": 0.00125, \"cycles\": 3, \"operator_estimates\": [\"loads\", \"gravity\"],\n"
    " \"ended\": \"interrupted\", \"readings\": [], \"x_mine\": 4}\n";

static struct readings_note read_good(const char *name, const char *text, enum readings_kind kind)
{
    struct readings_note note;
    struct err e;
    char csv[1100];
    scratch_write(name, text);
    snprintf(csv, sizeof csv, "%s", scratch_path(name));
    strcpy(strrchr(csv, '.'), ".csv");
    cr_assert_eq(readings_note_read(csv, kind, &note, &e), ERR_OK, "%s", e.text);
    return note;
}

Test(readings_note, the_note_of_a_weighing_is_read)
{
    struct readings_note note = read_good("w.json", FORCE, READINGS_FORCE);
    cr_expect(note.present && note.simulated && note.interrupted);
    cr_expect_str_eq(note.date, "2031-04-05T16:07:08Z");
    cr_expect_str_eq(note.rig_serial, "R-17");
    cr_expect(note.counts_min == -8388608 && note.counts_max == 8388607);
    cr_expect(note.gravity_m_s2 == 9.80853 && note.gravity_standard_uncertainty_m_s2 == 0.0005);
    cr_expect_str_eq(note.gravity_origin, "latitude and height");
    cr_expect(note.density_kg_m3 == 7850 && note.air_density_kg_m3 == 1.2);
    cr_expect(isnan(note.tolerance_mg) && note.tolerance_relative == 0.00125);
    cr_assert_eq(note.estimate_count, 2);
    cr_expect_str_eq(note.estimates[1], "gravity");
}

Test(readings_note, the_note_of_a_feed_is_read)
{
    struct readings_note note = read_good(
        "f.json",
        "{\"schema\": \"nipbench-feed-1\", \"feeder\": \"gear-8\", \"full_steps_per_rev\": 400,\n"
        " \"microsteps\": 16, \"reduction\": 3.5, \"drive_diameter_mm\": 7.85, \"resolution_mm\": 0.05}",
        READINGS_FEED);
    cr_expect(note.full_steps_per_rev == 400 && note.microsteps == 16 && note.reduction == 3.5);
    cr_expect(note.drive_diameter_mm == 7.85 && note.resolution_mm == 0.05);
    cr_expect_str_eq(note.feeder, "gear-8");
    cr_expect(note.present && !note.simulated && !note.interrupted && note.date[0] == 0);
}

Test(readings_note, all_but_the_schema_may_be_left_out_and_so_may_the_file)
{
    struct readings_note note = read_good("w.json", "{\"schema\": \"nipbench-readings-1\"}", READINGS_FORCE);
    struct err e;
    cr_expect(note.present && isnan(note.counts_min) && isnan(note.gravity_m_s2) &&
              isnan(note.tolerance_mg) && isnan(note.tolerance_relative) && note.rig_serial[0] == 0 &&
              note.estimate_count == 0);
    cr_expect_eq(readings_note_read(scratch_path("other.csv"), READINGS_FORCE, &note, &e), ERR_OK);
    cr_expect(!note.present && isnan(note.counts_max) && isnan(note.microsteps));
    cr_expect_not_null(strstr(note.path, "/other.json"));
}

Test(readings_note, its_name_is_that_of_the_table)
{
    char path[READINGS_NOTE_PATH_SIZE], endless[READINGS_NOTE_PATH_SIZE + 1];
    struct err e;
    cr_expect_eq(readings_note_path("a.b/weights.csv", path, &e), ERR_OK);
    cr_expect_str_eq(path, "a.b/weights.json");
    cr_expect_eq(readings_note_path("a.b/weights", path, &e), ERR_OK);
    cr_expect_str_eq(path, "a.b/weights.json");
    cr_expect_eq(readings_note_path("w.2031.txt", path, &e), ERR_OK);
    cr_expect_str_eq(path, "w.2031.json");
    memset(endless, 'x', sizeof endless - 1);
    endless[sizeof endless - 1] = 0;
    cr_expect_eq(readings_note_path(endless, path, &e), ERR_FILE);
}

Test(readings_note, what_cannot_be_is_refused)
{
    static const struct {
        const char *legend, *from, *to, *message;
    } rows[] = {
        {"broken JSON", "\"rig\": {", "\"rig\": ", "not valid JSON"},
        {"the note of a feed", "nipbench-readings-1", "nipbench-feed-1", "is not nipbench-readings-1"},
        {"no schema", "\"schema\": \"nipbench-readings-1\", ", "", "schema: is missing"},
        {"a key misspelt", "tolerance_relative", "tolerance_relativ", "tolerance_relativ: is no known key"},
        {"a key of the rig misspelt", "counts_max", "count_max", "rig.count_max: is no known key"},
        {"a date in words", "2031-04-05T16:07:08Z", "yesterday", "date: 'yesterday'"},
        {"a tolerance in words", "0.00125", "\"small\"", "tolerance_relative: must be a number"},
        {"a tolerance below nothing", "0.00125", "-0.00125", "outside 0 to 1"},
        {"two tolerances", "\"tolerance_mg\": null", "\"tolerance_mg\": 5", "state one of the two"},
        {"gravity of another planet", "9.80853", "3.7", "gravity.value_m_s2: 3.7"},
        {"a range upside down", "8388607", "-9388607", "counts_min must be below counts_max"},
        {"a rig that is no object", "\"gravity\": {", "\"x_a\": 1, \"gravity\": 7, \"x_b\": {",
         "gravity: must be an object"},
        {"an estimate that is no text", "\"loads\", \"gravity\"", "3",
         "operator_estimates.entry: must be a text"},
        {"a control character", "R-17", "R\\u001b17", "control character"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct readings_note note;
        struct err e = {0};
        char *bad = scratch_replace(FORCE, rows[i].from, rows[i].to);
        scratch_write("w.json", bad);
        cr_expect_eq(readings_note_read(scratch_path("w.csv"), READINGS_FORCE, &note, &e), ERR_FILE, "%s",
                     rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && strstr(e.file, "w.json") != NULL, "%s: %s",
                  rows[i].legend, e.text);
        cr_expect(!note.present);
        free(bad);
    }
}
