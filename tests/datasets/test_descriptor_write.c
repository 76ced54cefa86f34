#include "datasets/format/descriptor_write.h"

#include "datasets/format/run_csv.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <string.h>

static struct plan plan;

static void begin(void)
{
    struct err e;
    scratch_begin();
    cr_assert_eq(plan_read(scratch_write("p.yaml", SCRATCH_PLAN), &plan, &e), ERR_OK, "%s", e.text);
}

TestSuite(descriptor_write, .init = begin, .fini = scratch_end);

static const char *text_at(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    cr_assert_not_null(text, "%s", key);
    return text;
}

static const json_t *item(const json_t *object, const char *key, size_t i)
{
    const json_t *value = json_array_get(json_object_get(object, key), i);
    cr_assert_not_null(value, "%s[%zu]", key, i);
    return value;
}

Test(descriptor_write, a_plan_that_says_all_is_published_as_it_says)
{
    json_t *root = descriptor_write_root(&plan);
    const json_t *licence = item(root, "licenses", 0);
    cr_expect_str_eq(text_at(root, "$schema"), "https://datapackage.org/profiles/2.0/datapackage.json");
    cr_expect_str_eq(text_at(root, "profile"), "data-package");
    cr_expect_str_eq(text_at(root, "name"), "two-drive-gears-for-the-sensor-housings");
    cr_expect_str_eq(text_at(root, "title"), plan.title);
    cr_expect_str_eq(text_at(root, "description"), "Which gear pushes harder?");
    cr_expect(json_is_true(json_object_get(root, "simulated")));
    cr_expect_str_eq(text_at(licence, "name"), "CC-BY-4.0");
    cr_expect_str_eq(text_at(licence, "title"), "Creative Commons Attribution 4.0 International");
    cr_expect_str_eq(text_at(licence, "path"), "https://creativecommons.org/licenses/by/4.0/");
    cr_expect_eq(json_array_size(json_object_get(root, "contributors")), 1);
    cr_expect_str_eq(text_at(item(root, "contributors", 0), "title"), "River monitoring group");
    cr_expect_str_eq(text_at(item(root, "contributors", 0), "role"), "author");
    cr_expect_str_eq(json_string_value(item(item(root, "contributors", 0), "roles", 0)), "author");
    cr_expect_eq(json_array_size(json_object_get(root, "keywords")), 5);
    cr_expect_str_eq(json_string_value(item(root, "keywords", 2)), "simulated");
    cr_expect_str_eq(json_string_value(item(root, "keywords", 3)), "blocked-push");
    cr_expect_str_eq(json_string_value(item(root, "keywords", 4)), "speed-sweep");
    json_decref(root);
}

Test(descriptor_write, a_plan_that_says_little_gets_a_description_and_no_empty_lists)
{
    json_t *root;
    plan.licence[0] = plan.description[0] = 0;
    plan.contributor_count = 0;
    plan.simulated = false;
    strcpy(plan.title, "\xC3\x84\xC3\xB6");
    strcpy(plan.bench, "north <wall>");
    root = descriptor_write_root(&plan);
    cr_expect_str_eq(text_at(root, "description"),
                     "Bench measurements: push force and feed of the filament feeders gear-8 and gear-12 in "
                     "blocked-push and speed-sweep, 12 runs planned in 2 blocks on the bench north <wall>. "
                     "Samples are raw counts; calibration.json makes newtons and millimetres of them.");
    cr_expect_null(json_object_get(root, "licenses"));
    cr_expect_null(json_object_get(root, "contributors"));
    cr_expect_str_eq(text_at(root, "name"), "series");
    cr_expect_eq(json_array_size(json_object_get(root, "keywords")), 4);
    json_decref(root);
    /* One of each, and the same kind of test twice. */
    plan.simulated = true;
    plan.bench[0] = 0;
    plan.feeder_count = plan.test_count = 1;
    plan.blocks = 1;
    root = descriptor_write_root(&plan);
    cr_expect_str_eq(
        text_at(root, "description"),
        "Simulated data: push force and feed of the filament feeder gear-8 in blocked-push, 1 run "
        "planned in 1 block. Samples are raw counts; calibration.json makes newtons and "
        "millimetres of them.");
    json_decref(root);
    plan.tests[1] = plan.tests[0];
    plan.test_count = 2;
    root = descriptor_write_root(&plan);
    cr_expect_not_null(strstr(text_at(root, "description"), "in blocked-push, 2 runs planned"), "%s",
                       text_at(root, "description"));
    json_decref(root);
}

Test(descriptor_write, a_licence_is_known_however_it_is_spelled)
{
    static const struct {
        const char *licence, *name, *title, *path;
    } rows[] = {
        {"cc0-1.0", "CC0-1.0", "CC0 1.0 Universal", "https://creativecommons.org/publicdomain/zero/1.0/"},
        {"ODC-BY-1.0", "ODC-By-1.0", "Open Data Commons Attribution License 1.0",
         "https://opendatacommons.org/licenses/by/1-0/"},
        {"works-licence-7", "works-licence-7", "works-licence-7", NULL},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        json_t *root;
        const json_t *licence;
        strcpy(plan.licence, rows[i].licence);
        root = descriptor_write_root(&plan);
        licence = item(root, "licenses", 0);
        cr_expect_str_eq(text_at(licence, "name"), rows[i].name);
        cr_expect_str_eq(text_at(licence, "title"), rows[i].title);
        if (rows[i].path == NULL)
            cr_expect_null(json_object_get(licence, "path"), "nobody knows where it stands");
        else
            cr_expect_str_eq(text_at(licence, "path"), rows[i].path);
        json_decref(root);
    }
}

Test(descriptor_write, the_operator_is_a_contributor_once)
{
    json_t *root;
    strcpy(plan.operator_name, "Second shift");
    root = descriptor_write_root(&plan);
    cr_assert_eq(json_array_size(json_object_get(root, "contributors")), 2);
    cr_expect_str_eq(text_at(item(root, "contributors", 1), "title"), "Second shift");
    cr_expect_str_eq(text_at(item(root, "contributors", 1), "role"), "contributor");
    cr_expect_str_eq(json_string_value(item(item(root, "contributors", 1), "roles", 0)), "DataCollector");
    json_decref(root);
    strcpy(plan.operator_name, "River monitoring group");
    root = descriptor_write_root(&plan);
    cr_assert_eq(json_array_size(json_object_get(root, "contributors")), 1);
    cr_expect_str_eq(json_string_value(item(item(root, "contributors", 0), "roles", 1)), "DataCollector");
    json_decref(root);
    plan.contributor_count = 0;
    root = descriptor_write_root(&plan);
    cr_expect_eq(json_array_size(json_object_get(root, "contributors")), 1);
    json_decref(root);
}

Test(descriptor_write, every_rig_is_a_source_and_the_first_run_is_the_time)
{
    json_t *root = json_object();
    struct run_record r = scratch_record();
    cr_assert(descriptor_write_origin(root, &r));
    strcpy(r.start_time, "2031-04-06T08:00:00Z");
    cr_assert(descriptor_write_origin(root, &r));
    r.rig_serial = "rig-0418";
    r.rig_firmware = "";
    r.simulated = false;
    cr_assert(descriptor_write_origin(root, &r));
    r.rig_serial = NULL;
    cr_assert(descriptor_write_origin(root, &r));
    cr_expect_str_eq(text_at(root, "created"), "2031-04-05T16:31:42.125Z");
    cr_assert_eq(json_array_size(json_object_get(root, "sources")), 3);
    cr_expect_str_eq(text_at(item(root, "sources", 0), "title"), "Simulated rig rig-0417, firmware 0.3.1");
    cr_expect_str_eq(text_at(item(root, "sources", 0), "version"), "0.3.1");
    cr_expect_str_eq(text_at(item(root, "sources", 1), "title"), "Bench rig rig-0418, firmware not known");
    cr_expect_null(json_object_get(item(root, "sources", 1), "version"));
    cr_expect_str_eq(text_at(item(root, "sources", 2), "title"),
                     "Bench rig without a serial number, firmware not known");
    json_decref(root);
    /* A date alone is no time, and the standard wants a time. */
    root = json_object();
    strcpy(r.start_time, "2031-04-06");
    cr_assert(descriptor_write_origin(root, &r));
    cr_expect_null(json_object_get(root, "created"));
    json_decref(root);
    run_record_free(&r);
}

/* UCUM (ucum.org, The Unified Code for Units of Measure): u is the prefix micro, s the second, 1 unity, and
 * what stands in braces an annotation of unity. */
Test(descriptor_write, every_column_has_a_unit_in_ucum_spelling)
{
    static const char *const units[] = {"us", "{count}", "{microstep}", "{count}", "1"};
    struct run_record r = scratch_record();
    json_t *run = descriptor_write_run(7, &r);
    const json_t *fields = json_object_get(json_object_get(run, "schema"), "fields");
    char header[200] = "";
    cr_assert_eq(json_array_size(fields), 5);
    for (size_t i = 0; i < 5; i++) {
        const json_t *field = json_array_get(fields, i);
        strcat(strcat(header, i == 0 ? "" : ","), text_at(field, "name"));
        cr_expect_str_eq(text_at(field, "type"), "integer");
        cr_expect_str_eq(text_at(field, "unit"), units[i]);
        cr_expect(text_at(field, "title")[0] != 0 && text_at(field, "description")[0] != 0);
    }
    cr_expect_str_eq(header, RUN_CSV_HEADER);
    cr_expect_str_eq(text_at(json_object_get(run, "dialect"), "lineTerminator"), "\n");
    json_decref(run);
    run_record_free(&r);
}

Test(descriptor_write, a_resource_says_what_it_is)
{
    struct run_record r = scratch_record();
    char wanted[160];
    json_t *run = descriptor_write_run(7, &r);
    json_t *record = descriptor_write_record(7, &r);
    json_t *unknown = descriptor_write_run(7, NULL);
    json_t *files[] = {descriptor_write_plan(), descriptor_write_calibration()};
    snprintf(wanted, sizeof wanted, "Run 7: raw samples of %s, %s at %.6g mm/s", r.feeder,
             PLAN_TEST_NAMES[r.test], r.speed_mm_s);
    cr_expect_str_eq(text_at(run, "title"), wanted);
    cr_expect_str_eq(text_at(run, "profile"), "tabular-data-resource");
    cr_expect_str_eq(text_at(run, "type"), "table");
    cr_expect_not_null(strstr(text_at(record, "title"), r.feeder));
    cr_expect_str_eq(text_at(record, "mediatype"), "application/json");
    cr_expect_str_eq(text_at(unknown, "title"), "Run 7: raw samples");
    for (size_t i = 0; i < 2; i++) {
        cr_expect(text_at(files[i], "title")[0] != 0 && text_at(files[i], "description")[0] != 0);
        json_decref(files[i]);
    }
    json_decref(run);
    json_decref(record);
    json_decref(unknown);
    run_record_free(&r);
}

Test(descriptor_write, a_text_that_json_cannot_hold_makes_nothing)
{
    strcpy(plan.title, "\xFF");
    cr_expect_null(descriptor_write_root(&plan));
    strcpy(plan.title, "x");
    strcpy(plan.contributors[0].title, "\xFF");
    cr_expect_null(descriptor_write_root(&plan));
}
