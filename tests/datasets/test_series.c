#include "datasets/format/series.h"

#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <dirent.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* Three rows, as scratch_record says. */
#define CSV RUN_CSV_HEADER "\n17,8131,0,4,0\n1017,8199,21,9,0\n2017,9304,43,15,1\n"

static struct plan plan;
static const char *series; /* a series with runs 3 and 7 */

static void add_run(int number)
{
    struct run_record r = scratch_record();
    struct err e;
    char name[64];
    r.number = number;
    snprintf(name, sizeof name, "s/runs/%04d.csv", number);
    scratch_write(name, CSV);
    snprintf(name, sizeof name, "s/runs/%04d.json", number);
    cr_assert_eq(run_record_write(scratch_path(name), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
}

static void begin(void)
{
    static char folder[1024];
    struct calibration c = scratch_calibration();
    struct err e;
    scratch_begin();
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(plan_read(scratch_write("p.yaml", SCRATCH_PLAN), &plan, &e), ERR_OK, "%s", e.text);
    strcpy(folder, scratch_path("s"));
    series = folder;
    cr_assert_eq(series_create(series, scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e), ERR_OK,
                 "%s: %s", e.file, e.text);
    add_run(7);
    add_run(3);
    cr_assert_eq(series_write_package(series, &plan, &e), ERR_OK, "%s", e.text);
}

TestSuite(series, .init = begin, .fini = scratch_end);

struct findings {
    size_t count;
    struct err list[16];
};

static void collect(void *context, const struct err *finding)
{
    struct findings *f = context;
    /* The last one takes the place of those there is no room for. */
    f->list[f->count < 16 ? f->count : 15] = *finding;
    f->count++;
}

static bool has_finding(const struct findings *f, const char *file, const char *message)
{
    for (size_t i = 0; i < f->count && i < 16; i++) {
        size_t file_length = strlen(f->list[i].file);
        size_t length = strlen(file);
        if (file_length >= length && strcmp(f->list[i].file + file_length - length, file) == 0 &&
            strstr(f->list[i].text, message) != NULL)
            return true;
    }
    return false;
}

/* Verify and want exactly count findings, one of them with that file and message. */
static void want(const char *legend, size_t count, const char *file, const char *message)
{
    struct findings f = {0};
    struct err e = {0};
    enum err_code code = series_verify(series, collect, &f, &e);
    cr_expect_eq(code, count == 0 ? ERR_OK : ERR_FILE, "%s: code %d", legend, code);
    cr_expect_eq(f.count, count, "%s: %zu findings", legend, f.count);
    if (count > 0) {
        cr_expect(has_finding(&f, file, message), "%s: %s: %s", legend, f.list[0].file, f.list[0].text);
        cr_expect_str_eq(e.text, f.list[0].text, "the first finding is handed back");
    }
    for (size_t i = 0; i < f.count && i < 16 && f.count != count; i++)
        cr_log_warn("%s: %s: %s", legend, f.list[i].file, f.list[i].text);
}

static void edit(const char *name, const char *from, const char *to)
{
    char *text = scratch_read(name);
    char *changed;
    cr_assert_not_null(text, "%s", name);
    changed = scratch_replace(text, from, to);
    scratch_write(name, changed);
    free(changed);
    free(text);
}

static void rewrite_package(void)
{
    struct err e;
    cr_assert_eq(series_write_package(series, &plan, &e), ERR_OK, "%s", e.text);
}

static void came(void *context, size_t files, int64_t bytes)
{
    int64_t *sums = context;
    sums[0] += (int64_t)files;
    sums[1] += bytes;
}

Test(series, a_check_tells_how_far_it_is_and_what_it_went_through)
{
    struct findings f = {0};
    struct err e = {0};
    int64_t sums[2] = {0}, listed, single = 0;
    static const char *const names[] = {"plan.yaml",      "calibration.json", "runs/0003.csv",
                                        "runs/0003.json", "runs/0007.csv",    "runs/0007.json"};
    struct series_verify_watch watch = {.came = came, .context = sums};
    size_t files;
    listed = series_verify_listed(series, &files);
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char name[64], *text;
        snprintf(name, sizeof name, "s/%s", names[i]);
        text = scratch_read(name);
        single += (int64_t)strlen(text) * (strstr(name, ".csv") != NULL ? 2 : 1);
        free(text);
    }
    cr_expect_eq(files, 6);
    cr_expect_eq(listed, single, "rows are hashed and read: %lld", (long long)listed);
    cr_assert_eq(series_verify_watched(series, collect, &f, &watch, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(sums[0], 6);
    cr_expect_eq(sums[1], listed, "%lld of %lld", (long long)sums[1], (long long)listed);
    cr_expect(watch.files == 6 && watch.runs == 2 && watch.bytes < listed);
    cr_expect_eq(series_verify_listed(scratch_path("absent"), &files), 0);
    cr_expect_eq(files, 0);
}

/* What a descriptor says of sizes may be anything. */
Test(series, sizes_that_cannot_be_are_added_up_without_harm)
{
    size_t files;
    char from[40];
    char *csv = scratch_read("s/runs/0003.csv");
    snprintf(from, sizeof from, "\"bytes\": %zu,", strlen(csv));
    edit("s/datapackage.json", from, "\"bytes\": 9007199254740991,");
    cr_expect_gt(series_verify_listed(series, &files), 2 * 9007199254740991);
    cr_expect_eq(files, 6);
    free(csv);
}

Test(series, a_series_comes_back_as_it_was)
{
    struct series *s;
    struct run_columns c;
    struct err e;
    char hash[72];
    cr_assert_eq(series_open(series, &s, &e), ERR_OK, "%s: %s", e.file, e.text);
    cr_expect_str_eq(s->title, plan.title);
    cr_expect(s->simulated);
    cr_assert_eq(s->run_count, 2);
    cr_expect(s->runs[0].number == 3 && s->runs[1].number == 7, "in the order of their numbers");
    cr_expect_eq(s->calibration.coefficients[1], 1042.7);
    cr_expect_eq(s->plan.feeder_count, 2);
    cr_assert_eq(series_hash_file(scratch_path("s/datapackage.json"), hash, &e), ERR_OK);
    cr_expect_str_eq(s->package_hash, hash);
    cr_assert_eq(series_read_run(s, 1, &c, &e), ERR_OK, "%s", e.text);
    cr_expect(c.n == 3 && c.force_counts[2] == 9304);
    run_columns_free(&c);
    cr_expect_eq(series_read_run(s, 2, &c, &e), ERR_CALLER);
    series_free(s);
    series_free(NULL);
    want("a good series", 0, "", "");
}

/* Whoever reads which sidecar: runs, what they state and what is wrong with them are the same. */
Test(series, the_number_of_threads_that_open_it_changes_nothing)
{
    struct series *alone, *s;
    struct err e;
    for (int number = 8; number < 180; number++)
        add_run(number);
    rewrite_package();
    cr_assert_eq(series_open(series, &alone, &e), ERR_OK, "%s: %s", e.file, e.text);
    for (int threads = 0; threads < 70; threads += 1 + threads * 3) {
        cr_assert_eq(series_open_threads(series, threads, &s, &e), ERR_OK, "%s: %s", e.file, e.text);
        cr_assert_eq(s->run_count, 174);
        cr_expect(s->simulated == alone->simulated);
        for (size_t i = 0; i < s->run_count; i++) {
            cr_expect_eq(s->runs[i].number, alone->runs[i].number);
            cr_expect_eq(s->runs[i].conditions, alone->runs[i].conditions);
            cr_expect_eq(s->runs[i].rig_serial, alone->runs[i].rig_serial);
            cr_expect_str_eq(s->csv_hashes[i], alone->csv_hashes[i]);
            cr_expect_eq(s->csv_bytes[i], alone->csv_bytes[i]);
        }
        series_free(s);
    }
    series_free(alone);
    /* Next to each other, so that several threads have them in hand at once, in whatever order. */
    edit("s/runs/0042.json", "\"number\": 42", "\"number\": 4");
    edit("s/runs/0041.json", "\"number\": 41", "\"number\": 4");
    for (int turn = 0; turn < 200; turn++) {
        int threads = 1 + turn % 4;
        cr_expect_eq(series_open_threads(series, threads, &s, &e), ERR_FILE);
        cr_expect_not_null(strstr(e.file, "0041.json"), "%d threads: %s: %s", threads, e.file, e.text);
    }
}

Test(series, files_are_kept_byte_for_byte)
{
    char *text = scratch_read("s/plan.yaml");
    char *original = scratch_read("c.json");
    char *copy = scratch_read("s/calibration.json");
    cr_expect_str_eq(text, SCRATCH_PLAN);
    cr_expect_str_eq(copy, original);
    free(text);
    free(original);
    free(copy);
}

Test(series, the_descriptor_depends_on_the_folder_alone)
{
    char *first = scratch_read("s/datapackage.json");
    char *second;
    char *third;
    rewrite_package();
    second = scratch_read("s/datapackage.json");
    cr_expect_str_eq(first, second);
    unlink(scratch_path("s/datapackage.json"));
    rewrite_package();
    third = scratch_read("s/datapackage.json");
    cr_expect_str_eq(first, third);
    cr_expect(first[strlen(first) - 1] == '\n');
    free(first);
    free(second);
    free(third);
}

/* What both versions of the Data Package standard ask of a descriptor and its resources. */
Test(series, the_descriptor_says_what_the_standard_asks)
{
    json_t *root = json_load_file(scratch_path("s/datapackage.json"), 0, NULL);
    json_t *resources = json_object_get(root, "resources");
    const json_t *run = json_array_get(resources, 2);
    const json_t *fields = json_object_get(json_object_get(run, "schema"), "fields");
    char header[200] = "";
    cr_assert_eq(json_array_size(resources), 6, "plan, calibration and two files for each run");
    cr_expect_str_eq(json_string_value(json_object_get(root, "name")),
                     "two-drive-gears-for-the-sensor-housings");
    cr_expect_str_eq(json_string_value(json_object_get(root, "title")), plan.title);
    cr_expect_str_eq(json_string_value(json_object_get(root, "description")), plan.description);
    cr_expect_str_eq(json_string_value(json_object_get(root, "created")), "2031-04-05T16:31:42.125Z");
    cr_expect(json_is_true(json_object_get(root, "simulated")));
    cr_expect_str_eq(
        json_string_value(json_object_get(json_array_get(json_object_get(root, "licenses"), 0), "name")),
        "CC-BY-4.0");
    cr_expect_str_eq(
        json_string_value(json_object_get(json_array_get(json_object_get(root, "sources"), 0), "title")),
        "Simulated rig rig-0417, firmware 0.3.1");
    cr_expect_str_eq(json_string_value(json_object_get(run, "name")), "run-0003");
    cr_expect_str_eq(json_string_value(json_object_get(run, "path")), "runs/0003.csv");
    cr_expect_str_eq(json_string_value(json_object_get(run, "type")), "table");
    cr_expect_str_eq(json_string_value(json_object_get(run, "profile")), "tabular-data-resource");
    cr_expect_str_eq(json_string_value(json_object_get(run, "mediatype")), "text/csv");
    cr_expect_eq(json_integer_value(json_object_get(run, "bytes")), (json_int_t)sizeof CSV - 1);
    cr_expect_str_eq(json_string_value(
                         json_array_get(json_object_get(json_object_get(run, "schema"), "missingValues"), 0)),
                     "");
    for (size_t i = 0; i < json_array_size(fields); i++) {
        const json_t *field = json_array_get(fields, i);
        strcat(strcat(header, i == 0 ? "" : ","), json_string_value(json_object_get(field, "name")));
        cr_expect(json_string_length(json_object_get(field, "unit")) > 0, "field %zu has a unit", i);
        cr_expect(json_string_length(json_object_get(field, "description")) > 0, "field %zu is described", i);
    }
    cr_expect_str_eq(header, RUN_CSV_HEADER);
    json_decref(root);
}

Test(series, only_finished_runs_are_listed)
{
    char *text;
    scratch_write("s/runs/0008.csv", CSV);            /* no sidecar yet */
    scratch_write("s/runs/0009.csv.part", "time_us"); /* being written */
    rewrite_package();
    text = scratch_read("s/datapackage.json");
    cr_expect_null(strstr(text, "0008"));
    cr_expect_null(strstr(text, "0009"));
    free(text);
}

Test(series, a_hash_is_taken_over_only_from_an_older_file)
{
    char *first;
    char *second;
    /* Same size, other content, and changed after the descriptor was written. */
    edit("s/runs/0003.csv", "9304", "9305");
    first = scratch_read("s/datapackage.json");
    rewrite_package();
    second = scratch_read("s/datapackage.json");
    cr_expect_str_neq(first, second);
    want("the new content has its own hash", 0, "", "");
    free(first);
    free(second);
}

Test(series, create_refuses_a_folder_that_is_not_empty)
{
    struct err e;
    struct stat before;
    struct stat after;
    char *text;
    cr_assert_eq(stat(scratch_path("s/datapackage.json"), &before), 0);
    cr_expect_eq(series_create(series, scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e), ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "already holds a series"), "%s", e.text);
    cr_assert_eq(stat(scratch_path("s/datapackage.json"), &after), 0);
    cr_expect(before.st_ino == after.st_ino && before.st_mtim.tv_nsec == after.st_mtim.tv_nsec);
    mkdir(scratch_path("other"), 0755);
    scratch_write("other/.hidden", "mine");
    cr_expect_eq(
        series_create(scratch_path("other"), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "is not empty"), "%s", e.text);
    text = scratch_read("other/.hidden");
    cr_expect_str_eq(text, "mine");
    free(text);
    cr_expect_null(scratch_read("other/plan.yaml"));
    scratch_write("file", "x");
    cr_expect_eq(
        series_create(scratch_path("file"), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "Not a directory"), "%s", e.text);
    cr_expect_eq(
        series_create(scratch_path("none/s"), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_USAGE);
}

Test(series, create_leaves_nothing_behind_when_it_fails)
{
    struct err e;
    cr_expect_eq(
        series_create(scratch_path("new"), scratch_path("p.yaml"), &plan, scratch_path("none.json"), &e),
        ERR_FILE);
    cr_expect_not_null(strstr(e.file, "none.json"));
    cr_expect_neq(access(scratch_path("new"), F_OK), 0);
    cr_expect_eq(
        series_create(scratch_path("new"), scratch_path("none.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_FILE);
    scratch_write("bad.json", "{}");
    cr_expect_eq(
        series_create(scratch_path("new"), scratch_path("p.yaml"), &plan, scratch_path("bad.json"), &e),
        ERR_FILE);
    cr_expect_neq(access(scratch_path("new"), F_OK), 0);
    /* A plan whose title JSON cannot hold: the fault shows only when the descriptor is written. */
    strcpy(plan.title, "\xFF");
    mkdir(scratch_path("empty"), 0755);
    cr_expect_neq(
        series_create(scratch_path("empty"), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_OK);
    cr_expect_eq(rmdir(scratch_path("empty")), 0, "it is empty again, and still there");
    cr_expect_neq(
        series_create(scratch_path("new"), scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e),
        ERR_OK);
    cr_expect_neq(access(scratch_path("new"), F_OK), 0);
}

Test(series, an_empty_folder_becomes_a_series_without_runs)
{
    struct err e;
    struct series *s;
    char name[1024];
    snprintf(name, sizeof name, "%s/", scratch_path("empty"));
    mkdir(name, 0755);
    cr_assert_eq(series_create(name, scratch_path("p.yaml"), &plan, scratch_path("c.json"), &e), ERR_OK, "%s",
                 e.text);
    cr_assert_eq(series_open(name, &s, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(s->run_count, 0);
    series_free(s);
    series = name;
    want("a series without runs, its folder named with a slash", 0, "", "");
}

Test(series, write_package_refuses_what_is_missing)
{
    struct err e;
    unlink(scratch_path("s/calibration.json"));
    cr_expect_eq(series_write_package(series, &plan, &e), ERR_FILE);
    cr_expect(strstr(e.file, "calibration.json") != NULL && strstr(e.text, "is missing") != NULL, "%s",
              e.text);
    cr_expect_eq(series_write_package(scratch_path("none"), &plan, &e), ERR_FILE);
}

Test(series, open_refuses_what_is_no_series)
{
    static const struct {
        const char *legend, *remove, *edit, *from, *to, *file, *message;
    } rows[] = {
        {"no descriptor", "s/datapackage.json", NULL, NULL, NULL, "datapackage.json", "is missing"},
        {"no plan", "s/plan.yaml", NULL, NULL, NULL, "plan.yaml", "is missing"},
        {"no calibration", "s/calibration.json", NULL, NULL, NULL, "calibration.json", "is missing"},
        {"no sidecar", "s/runs/0007.json", NULL, NULL, NULL, "runs/0007.json", "is missing"},
        {"a torn descriptor", NULL, "s/datapackage.json", "\n}\n", "\n", "datapackage.json",
         "not valid JSON"},
        {"a bad plan", NULL, "s/plan.yaml", "end: true", "", "plan.yaml", "'end' is missing"},
        {"a bad calibration", NULL, "s/calibration.json", "1042.7", "0", "calibration.json", "slope"},
        {"a bad sidecar", NULL, "s/runs/0003.json", "\"rows\": 3", "\"rows\": -3", "runs/0003.json", "rows"},
        {"a sidecar of another run", NULL, "s/runs/0003.json", "\"number\": 3", "\"number\": 4",
         "runs/0003.json", "is 4, but the file belongs to run 3"},
        {"a newer format", NULL, "s/datapackage.json", "\"nipbench_series\": 1", "\"nipbench_series\": 2",
         "datapackage.json", "version 2 of the format is not known"},
        {"another kind of package", NULL, "s/datapackage.json", "nipbench_series", "version",
         "datapackage.json", "is not the descriptor of a series"},
        {"a run without sidecar", NULL, "s/datapackage.json", "runs/0003.json", "runs/0003.txt",
         "datapackage.json", "lists runs/0003.csv without runs/0003.json"},
        {"a sidecar without run", NULL, "s/datapackage.json", "runs/0003.csv", "runs/0003.txt",
         "datapackage.json", "lists runs/0003.json without runs/0003.csv"},
        {"a path that escapes", NULL, "s/datapackage.json", "runs/0003.csv", "../c.json", "datapackage.json",
         "'../c.json' leads out of the folder"},
        {"two paths for one resource", NULL, "s/datapackage.json", "\"runs/0003.csv\"", "[\"runs/0003.csv\"]",
         "datapackage.json", "resource 3 has no single path"},
        {"a size that is none", NULL, "s/datapackage.json", "\"bytes\": ", "\"bytes\": -", "datapackage.json",
         "bytes must be a whole number"},
        {"a hash that is none", NULL, "s/datapackage.json",
         "\"hash\": ", "\"hash\": 3, \"x_hash\": ", "datapackage.json", "hash must be a text"},
        {"no word on simulation", NULL, "s/datapackage.json", "\"simulated\": true", "\"x\": true",
         "datapackage.json", "simulated: is missing"},
        {"resources that are no list", NULL, "s/datapackage.json", "\"resources\": [",
         "\"resources\": {}, \"x\": [", "datapackage.json", "must be an array"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct series *s;
        struct err e = {0};
        size_t length = strlen(rows[i].file);
        const char *name = rows[i].remove != NULL ? rows[i].remove : rows[i].edit;
        char *good = scratch_read(name);
        if (rows[i].remove != NULL)
            unlink(scratch_path(name));
        else
            edit(name, rows[i].from, rows[i].to);
        cr_expect_eq(series_open(series, &s, &e), ERR_FILE, "%s", rows[i].legend);
        cr_expect_null(s, "%s", rows[i].legend);
        cr_expect(strstr(e.text, rows[i].message) != NULL && strlen(e.file) > length &&
                      strcmp(e.file + strlen(e.file) - length, rows[i].file) == 0,
                  "%s: %s: %s", rows[i].legend, e.file, e.text);
        scratch_write(name, good);
        free(good);
    }
}

Test(series, a_run_that_is_not_as_its_sidecar_says_is_refused)
{
    struct series *s;
    struct run_columns c;
    struct err e;
    cr_assert_eq(series_open(series, &s, &e), ERR_OK);
    edit("s/runs/0003.csv", "17,8131,0,4,0\n", "");
    cr_expect_eq(series_read_run(s, 0, &c, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "has 2 rows, but its sidecar says 3"), "%s", e.text);
    cr_expect_null(c.time_us);
    unlink(scratch_path("s/runs/0003.csv"));
    cr_expect_eq(series_read_run(s, 0, &c, &e), ERR_FILE);
    cr_assert_eq(symlink(scratch_path("c.json"), scratch_path("s/runs/0003.csv")), 0);
    cr_expect_eq(series_read_run(s, 0, &c, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "leaves the folder"), "%s", e.text);
    series_free(s);
}

static void want_changed(const struct err *e, const char *file)
{
    cr_expect(strstr(e->file, file) != NULL && strstr(e->text, "does not match its hash") != NULL, "%s: %s",
              e->file, e->text);
}

Test(series, what_was_changed_after_recording_is_not_read)
{
    struct series *s;
    struct run_columns c;
    struct err e;
    edit("s/plan.yaml", "CC-BY-4.0", "CC0-1.0");
    cr_expect_eq(series_open(series, &s, &e), ERR_FILE);
    want_changed(&e, "s/plan.yaml");
    edit("s/plan.yaml", "CC0-1.0", "CC-BY-4.0");
    edit("s/runs/0007.json", "\"block\": ", "\"block\": 1");
    cr_expect_eq(series_open(series, &s, &e), ERR_FILE);
    want_changed(&e, "s/runs/0007.json");
    edit("s/runs/0007.json", "\"block\": 1", "\"block\": ");
    edit("s/runs/0007.csv", "8199", "8198");
    cr_assert_eq(series_open(series, &s, &e), ERR_OK, "%s", e.text);
    cr_expect_not(s->calibration_replaced);
    cr_expect_eq(series_read_run(s, 0, &c, &e), ERR_OK, "%s", e.text);
    run_columns_free(&c);
    cr_expect_eq(series_read_run(s, 1, &c, &e), ERR_FILE);
    want_changed(&e, "s/runs/0007.csv");
    cr_expect_null(c.time_us);
    series_free(s);
}

/* Put what a resource of that path in the descriptor gives for key: a JSON value as text. */
static void list_otherwise(const char *path, const char *key, const char *value)
{
    json_t *root = json_load_file(scratch_path("s/datapackage.json"), 0, NULL);
    json_t *resource;
    size_t i;
    bool found = false;
    json_array_foreach(json_object_get(root, "resources"), i, resource)
    {
        if (strcmp(json_string_value(json_object_get(resource, "path")), path) != 0)
            continue;
        json_object_set_new(resource, key, json_loads(value, JSON_DECODE_ANY, NULL));
        found = true;
    }
    cr_assert(found && json_dump_file(root, scratch_path("s/datapackage.json"), JSON_INDENT(2)) == 0);
    json_decref(root);
}

Test(series, a_size_or_hash_that_cannot_be_right_is_not_read)
{
    static const struct {
        const char *path, *key, *value, *message;
    } rows[] = {
        {"runs/0007.csv", "bytes", "71", "bytes long, but datapackage.json says 71"},
        {"runs/0007.json", "bytes", "3", "bytes long, but datapackage.json says 3"},
        {"plan.yaml", "bytes", "3", "bytes long, but datapackage.json says 3"},
        {"runs/0007.csv", "hash", "\"1c1f6eb1e3e0e0e8a8f1d1f4b7a8b0c9\"", "only sha256 is known"},
        {"runs/0007.json", "hash", "\"sha1:2fd4e1c67a2d28fced849ee1bb76e7391b93eb12\"",
         "its hash 'sha1:2fd4"},
        {"plan.yaml", "hash", "\"sha512:00\"", "its hash 'sha512:00' cannot be checked"},
        {"calibration.json", "hash", "\"md5:1c1f6eb1e3e0e0e8a8f1d1f4b7a8b0c9\"", "only sha256 is known"},
        {"plan.yaml", "hash", "\"sha256:00\"", "does not match its hash"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct series *s = NULL;
        struct run_columns c = {0};
        struct err e = {0};
        enum err_code code;
        list_otherwise(rows[i].path, rows[i].key, rows[i].value);
        code = series_open(series, &s, &e);
        if (code == ERR_OK)
            code = series_read_run(s, 1, &c, &e);
        cr_expect_eq(code, ERR_FILE, "row %zu", i);
        cr_expect(strstr(e.file, rows[i].path) != NULL && strstr(e.text, rows[i].message) != NULL,
                  "row %zu: %s: %s", i, e.file, e.text);
        series_free(s);
        rewrite_package();
    }
}

Test(series, the_package_hash_is_that_of_the_descriptor)
{
    struct series *s;
    struct err e;
    char hash[72];
    char other[72];
    cr_assert_eq(series_package_hash(series, hash, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(series_open(series, &s, &e), ERR_OK);
    cr_expect_str_eq(hash, s->package_hash);
    series_free(s);
    edit("s/runs/0007.csv", "8199", "8198");
    rewrite_package();
    cr_assert_eq(series_package_hash(series, other, &e), ERR_OK);
    cr_expect_str_neq(other, hash, "another content of any file is another package");
    scratch_write("s/datapackage.json", "abc");
    cr_assert_eq(series_package_hash(series, hash, &e), ERR_OK);
    /* FIPS 180-4 example "abc". */
    cr_expect_str_eq(hash, "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    unlink(scratch_path("s/datapackage.json"));
    cr_expect_eq(series_package_hash(series, hash, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "is missing"), "%s", e.text);
}

/* Old runs may be worked out anew with a better calibration. */
Test(series, a_calibration_that_was_replaced_is_told)
{
    struct series *s;
    struct err e;
    edit("s/calibration.json", "1042.7", "1043.2");
    cr_assert_eq(series_open(series, &s, &e), ERR_OK, "%s", e.text);
    cr_expect(s->calibration_replaced);
    cr_expect_eq(s->calibration.coefficients[1], 1043.2);
    series_free(s);
}

Test(series, a_run_without_a_hash_is_read)
{
    struct series *s;
    struct run_columns c;
    struct err e;
    edit("s/datapackage.json", "\"hash\"", "\"x_hash\"");
    edit("s/datapackage.json", "\"hash\"", "\"x_hash\"");
    edit("s/datapackage.json", "\"hash\"", "\"x_hash\"");
    cr_assert_eq(series_open(series, &s, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(series_read_run(s, 0, &c, &e), ERR_OK, "%s", e.text);
    run_columns_free(&c);
    series_free(s);
}

Test(series, what_one_part_marks_as_simulated_is_simulated)
{
    struct series *s;
    struct err e;
    edit("s/plan.yaml", "simulated: true", "simulated: false");
    rewrite_package();
    edit("s/datapackage.json", "\"simulated\": true", "\"simulated\": false");
    cr_assert_eq(series_open(series, &s, &e), ERR_OK, "%s", e.text);
    cr_expect(s->simulated, "its runs say so");
    series_free(s);
}

/* One fault at a time; each must be found, and nothing else. */
Test(series, verify_finds_each_fault)
{
    static const struct {
        const char *legend, *name, *from, *to; /* from NULL: the file is removed */
        size_t count;
        const char *file, *message;
    } rows[] = {
        {"a flipped byte", "s/runs/0003.csv", "9304", "9305", 1, "runs/0003.csv", "does not match its hash"},
        {"a byte more", "s/runs/0003.csv", "9304", "93041", 1, "runs/0003.csv", "but datapackage.json says"},
        {"a flipped byte in the plan", "s/plan.yaml", "20917", "20918", 1, "plan.yaml",
         "does not match its hash"},
        {"a missing run", "s/runs/0007.csv", NULL, NULL, 1, "runs/0007.csv", "is missing"},
        {"a missing sidecar", "s/runs/0007.json", NULL, NULL, 1, "runs/0007.json", "is missing"},
        {"a missing plan", "s/plan.yaml", NULL, NULL, 1, "plan.yaml", "is missing"},
        {"a missing calibration", "s/calibration.json", NULL, NULL, 1, "calibration.json", "is missing"},
        {"a missing descriptor", "s/datapackage.json", NULL, NULL, 1, "datapackage.json", "is missing"},
        {"a torn descriptor", "s/datapackage.json", "\n}\n", "\n", 1, "datapackage.json", "not valid JSON"},
        {"another algorithm", "s/datapackage.json", "sha256:", "sha512:", 1, "plan.yaml",
         "only sha256 is known"},
        {"no hash", "s/datapackage.json", "\"hash\"", "\"x_hash\"", 1, "plan.yaml", "gives no hash"},
        {"no size", "s/datapackage.json", "\"bytes\"", "\"x_bytes\"", 1, "plan.yaml", "gives no size"},
        {"time that runs backward", "s/runs/0003.csv", "2017,9", "1016,9", 2, "runs/0003.csv",
         "is before the row above"},
        {"a cut last row", "s/runs/0003.csv", ",1\n", ",1", 2, "runs/0003.csv", "cut short"},
        {"a path that escapes", "s/datapackage.json", "runs/0003.csv", "../c.json", 3, "datapackage.json",
         "leads out of the folder"},
        {"an absolute path", "s/datapackage.json", "runs/0003.csv", "/etc/passwd", 3, "datapackage.json",
         "is absolute"},
        {"a path with a backslash", "s/datapackage.json", "runs/0003.csv", "runs\\\\3", 3, "datapackage.json",
         "has a backslash"},
        {"an address", "s/datapackage.json", "runs/0003.csv", "http://x/y", 3, "datapackage.json",
         "has a colon"},
        {"a sidecar that nobody lists", "s/datapackage.json", "runs/0003.json", "plan.yaml", 3,
         "runs/0003.csv", "has no sidecar"},
        {"a resource twice", "s/datapackage.json", "runs/0003.json", "plan.yaml", 3, "datapackage.json",
         "lists 'plan.yaml' twice"},
        {"a stray mark", "s/datapackage.json", "\"simulated\": true", "\"simulated\": false", 3, "plan.yaml",
         "says simulated: true, but datapackage.json says false"},
        {"a plan that nobody lists", "s/datapackage.json", "\"plan.yaml\"", "\"plan.yml\"", 3,
         "datapackage.json", "does not list plan.yaml"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *good = scratch_read(rows[i].name);
        if (rows[i].from == NULL)
            unlink(scratch_path(rows[i].name));
        else
            edit(rows[i].name, rows[i].from, rows[i].to);
        want(rows[i].legend, rows[i].count, rows[i].file, rows[i].message);
        scratch_write(rows[i].name, good);
        free(good);
    }
    want("mended again", 0, "", "");
}

/* Faults that the hashes agree with, since the descriptor was written after them. */
Test(series, verify_reads_what_the_files_say)
{
    static const struct {
        const char *legend, *name, *from, *to;
        size_t count;
        const char *file, *message;
    } rows[] = {
        {"a row too few", "s/runs/0003.csv", "17,8131,0,4,0\n", "", 1, "runs/0003.csv",
         "has 2 rows, but its sidecar says 3"},
        {"a bad row", "s/runs/0003.csv", "8131", "81.1", 1, "runs/0003.csv", "is not a whole number"},
        {"a feeder that no plan has", "s/runs/0007.json", "gear-12", "gear-13", 1, "runs/0007.json",
         "the plan has no feeder 'gear-13'"},
        {"a sidecar of another run", "s/runs/0007.json", "\"number\": 7", "\"number\": 8", 1,
         "runs/0007.json", "is 8, but the file belongs to run 7"},
        {"a repeat of a run that is not there", "s/runs/0007.json", "\"number\": 7",
         "\"number\": 7, \"repeats\": 4", 1, "runs/0007.json", "repeats: there is no run 4"},
        {"a repeat of another place", "s/runs/0007.json", "\"number\": 7", "\"number\": 7, \"repeats\": 3", 1,
         "runs/0007.json", "repeats: run 3 is of another place in the plan than run 7"},
        {"a bad sidecar", "s/runs/0007.json", "\"gaps\": 2", "\"gaps\": -2", 1, "runs/0007.json", "gaps"},
        {"a run that is marked otherwise", "s/runs/0007.json", "\"simulated\": true", "\"simulated\": false",
         1, "runs/0007.json", "says simulated: false"},
        {"a bad calibration", "s/calibration.json", "1042.7", "0.0", 1, "calibration.json", "slope"},
        {"a bad plan", "s/plan.yaml", "seed:", "sead:", 1, "plan.yaml", "misspelling"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *good = scratch_read(rows[i].name);
        edit(rows[i].name, rows[i].from, rows[i].to);
        rewrite_package();
        want(rows[i].legend, rows[i].count, rows[i].file, rows[i].message);
        scratch_write(rows[i].name, good);
        free(good);
    }
    rewrite_package();
    want("mended again", 0, "", "");
}

Test(series, verify_finds_links_that_leave_the_folder)
{
    char *csv = scratch_read("s/runs/0003.csv");
    scratch_write("outside.csv", csv);
    unlink(scratch_path("s/runs/0003.csv"));
    cr_assert_eq(symlink(scratch_path("outside.csv"), scratch_path("s/runs/0003.csv")), 0);
    want("a link to a file outside", 1, "runs/0003.csv", "is a link that leaves the folder");
    unlink(scratch_path("s/runs/0003.csv"));
    scratch_write("s/runs/0003.csv", csv);
    /* The whole folder of runs outside, by way of a link. */
    cr_assert_eq(rename(scratch_path("s/runs"), scratch_path("runs")), 0);
    cr_assert_eq(symlink("../runs", scratch_path("s/runs")), 0);
    want("a link to a folder outside", 5, "runs/0007.json", "is a link that leaves the folder");
    unlink(scratch_path("s/runs"));
    cr_assert_eq(rename(scratch_path("runs"), scratch_path("s/runs")), 0);
    /* A folder beside that only begins with the same letters. */
    cr_assert_eq(mkdir(scratch_path("s2"), 0755), 0);
    scratch_write("s2/x.csv", csv);
    unlink(scratch_path("s/runs/0003.csv"));
    cr_assert_eq(symlink("../../s2/x.csv", scratch_path("s/runs/0003.csv")), 0);
    want("a link to a folder of like name", 1, "runs/0003.csv", "leaves the folder");
    /* And one whose name is of the same length. */
    cr_assert_eq(rename(scratch_path("s2"), scratch_path("t")), 0);
    unlink(scratch_path("s/runs/0003.csv"));
    cr_assert_eq(symlink("../../t/x.csv", scratch_path("s/runs/0003.csv")), 0);
    want("a link to a folder of like length", 1, "runs/0003.csv", "leaves the folder");
    unlink(scratch_path("s/runs/0003.csv"));
    mkfifo(scratch_path("s/runs/0003.csv"), 0600);
    want("a pipe in place of a file", 1, "runs/0003.csv", "is not a regular file");
    unlink(scratch_path("s/runs/0003.csv"));
    /* A link within the folder does no harm. */
    scratch_write("s/runs/0003.csv", csv);
    unlink(scratch_path("s/runs/0007.csv"));
    cr_assert_eq(symlink("0003.csv", scratch_path("s/runs/0007.csv")), 0);
    want("a link within the folder", 0, "", "");
    free(csv);
}

Test(series, verify_finds_what_nobody_lists)
{
    scratch_write("s/README.md", "# Where these data come from\n");
    want("a README for people", 0, "", "");
    scratch_write("s/notes.txt", "x");
    want("a note", 1, "notes.txt", "is not listed in datapackage.json");
    unlink(scratch_path("s/notes.txt"));
    scratch_write("s/runs/0008.csv.part", "x");
    want("an interrupted run", 1, "runs/0008.csv.part", "is an interrupted run");
    unlink(scratch_path("s/runs/0008.csv.part"));
    cr_assert_eq(symlink("/etc", scratch_path("s/etc")), 0);
    want("a link to somewhere, not followed", 1, "s/etc", "is not listed");
    unlink(scratch_path("s/etc"));
    for (int i = 0; i < 120; i++) {
        char name[32];
        snprintf(name, sizeof name, "s/stray%d", i);
        scratch_write(name, "x");
    }
    want("120 strays", 101, "s/", "the rest is not shown");
}

Test(series, more_resources_than_a_series_has_are_refused)
{
    char *text = malloc(5001 * 24 + 200);
    size_t n = (size_t)sprintf(text, "{\"nipbench_series\": 1, \"simulated\": true, \"resources\": [");
    struct series *s;
    struct err e;
    for (int i = 0; i < 5001; i++)
        n += (size_t)sprintf(text + n, "%s{\"path\": \"f%d\"}", i == 0 ? "" : ",", i);
    strcpy(text + n, "]}");
    scratch_write("s/datapackage.json", text);
    want("5001 resources", 1, "datapackage.json", "5001 resources are too many; at most 5000");
    cr_expect_eq(series_open(series, &s, &e), ERR_FILE);
    free(text);
}

Test(series, verify_of_what_is_no_folder_is_one_finding)
{
    series = scratch_path("none");
    want("no folder", 1, "none", "cannot be opened: No such file");
    series = scratch_path("c.json");
    want("a file", 1, "c.json/datapackage.json", "Not a directory");
}
