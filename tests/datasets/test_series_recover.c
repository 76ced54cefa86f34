#include "datasets/format/series_recover.h"

#include "datasets/format/run_journal.h"
#include "datasets/format/series.h"
#include "tests/datasets/interrupted.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define CSV_BYTES strlen(INTERRUPTED_CSV)

TestSuite(series_recover, .init = interrupted_begin, .fini = scratch_end);

static char told[4096];
static struct series_progress progress;

static void recover(void)
{
    progress = interrupted_recover(told, sizeof told);
}

static void again(void)
{
    scratch_end();
    interrupted_begin();
}

static struct run_record *read_record(int number)
{
    static struct run_record r;
    char name[64];
    struct err e;
    snprintf(name, sizeof name, "s/runs/%04d.json", number);
    run_record_free(&r);
    cr_assert_eq(run_record_read(scratch_path(name), &r, &e), ERR_OK, "%s: %s", e.file, e.text);
    return &r;
}

/* The rows of run 2 are filed and are the first bytes of what was written. */
static void want_rows(size_t bytes, const char *legend)
{
    char *csv = scratch_read("s/runs/0002.csv");
    cr_assert_not_null(csv, "%s: %s", legend, told);
    cr_expect(strlen(csv) == bytes && strncmp(csv, INTERRUPTED_CSV, bytes) == 0, "%s: %s", legend, csv);
    cr_expect_not(interrupted_has("runs/0002.csv.part"), "%s", legend);
    cr_expect_not(interrupted_has("runs/0002.json.part"), "%s", legend);
    cr_expect_eq(interrupted_findings(), 0, "%s", legend);
    free(csv);
}

/* A second recovery has nothing to do. */
static void want_idle(const char *legend)
{
    char *before = interrupted_snapshot();
    char *after;
    struct series_progress first = progress;
    recover();
    after = interrupted_snapshot();
    cr_expect_str_eq(before, after, "%s", legend);
    cr_expect_str_eq(told, "", "%s", legend);
    cr_expect_eq(memcmp(&first, &progress, sizeof first), 0, "%s", legend);
    free(before);
    free(after);
}

/* Nothing is touched, and told is why. */
static void want_left(const char *legend, const char *why)
{
    char *before = interrupted_snapshot();
    char *after;
    recover();
    after = interrupted_snapshot();
    cr_expect_str_eq(before, after, "%s", legend);
    cr_expect(strstr(told, "is left as it is") != NULL && strstr(told, why) != NULL, "%s: %s", legend, told);
    free(before);
    free(after);
}

Test(series_recover, a_series_in_order_is_left_as_it_is)
{
    recover();
    cr_expect_str_eq(told, "");
    cr_expect(progress.finished[1] && progress.finished_count == 1 && progress.next_number == 2);
    cr_expect_str_eq(progress.rig_serial, "rig-0417");
    cr_expect_eq(interrupted_findings(), 0);
    want_idle("in order");
}

static int file_run_2(void)
{
    struct run_record r = interrupted_record(2);
    enum err_code code = series_file_run(interrupted_series, &r, NULL);
    run_record_free(&r);
    return code == ERR_OK ? 0 : 1;
}

static int recover_quietly(void)
{
    struct series_progress p;
    return series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &p, NULL) == ERR_OK ? 0 : 1;
}

/* Do it in a program of its own that crashes in front of that call; its exit status. */
static int crash(int (*act)(void), int call)
{
    int status;
    pid_t child = fork();
    if (child == 0) {
        interrupted_crash_after = call;
        _exit(act());
    }
    cr_assert(child > 0 && waitpid(child, &status, 0) == child && WIFEXITED(status));
    return WEXITSTATUS(status);
}

Test(series_recover, every_crash_of_filing_is_put_in_order)
{
    int interrupted = 0;
    int complete = 0;
    int status = 99;
    for (int call = 0; status == 99; call++) {
        bool recorded;
        again();
        interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
        interrupted_put_journal(2, "");
        status = crash(file_run_2, call);
        cr_assert(status == 99 || status == 0, "call %d: %d", call, status);
        recorded = interrupted_has("runs/0002.json");
        recover();
        want_rows(CSV_BYTES, "filing");
        cr_expect_eq(read_record(2)->ended, recorded ? RUN_COMPLETE : RUN_INTERRUPTED, "call %d", call);
        cr_expect_eq(progress.finished[2], recorded);
        cr_expect_eq(progress.next_number, 3);
        interrupted += !recorded;
        complete += recorded;
        want_idle("filing");
    }
    cr_expect(interrupted >= 2 && complete >= 4, "%d before the record, %d after it", interrupted, complete);
}

static void set_up_torn(void)
{
    interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES - 7);
    interrupted_put_journal(2, "{\"push_start_us\":1000}\n{\"gap\":{\"time_us\":1000,\"pla");
}

static void set_up_empty(void)
{
    interrupted_put_rows(2, INTERRUPTED_CSV, 60);
    interrupted_put_journal(2, "");
}

/* Put each name of a temporary file's six letters as XXXXXX. */
static void plain_log(void)
{
    for (char *at = interrupted_log; (at = strstr(at, ".tmp\n")) != NULL; at++)
        memcpy(at - 6, "XXXXXX", 6);
}

/* What is durable before what: a power cut in between must leave one of the states that recovery knows. */
Test(series_recover, each_step_is_durable_before_the_next)
{
    interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
    interrupted_put_journal(2, "");
    interrupted_log[0] = 0;
    cr_assert_eq(file_run_2(), 0);
    plain_log();
    cr_expect_str_eq(interrupted_log, "fsync 0002.json.XXXXXX.tmp\nrename 0002.json\nfsync runs\n"
                                      "rename 0002.csv\nfsync runs\nunlink 0002.json.part\n");
    again();
    set_up_torn();
    interrupted_log[0] = 0;
    recover();
    plain_log();
    cr_expect_str_eq(
        interrupted_log,
        "fsync 0002.csv.part\nfsync 0002.json.XXXXXX.tmp\nrename 0002.json\nfsync runs\n"
        "ftruncate 0002.csv.part\nfsync 0002.csv.part\nrename 0002.csv\nfsync runs\n"
        "unlink 0002.json.part\nfsync datapackage.json.XXXXXX.tmp\nrename datapackage.json\nfsync s\n");
    again();
    set_up_empty();
    interrupted_log[0] = 0;
    recover();
    cr_expect_str_eq(interrupted_log, "unlink 0002.csv.part\nfsync runs\nunlink 0002.json.part\n");
}

/* What a recovery that was not cut off makes of the state that set_up leaves; and every one that was, and was
 * then taken up again, must make the same, byte for byte. */
static void want_same_after_crashes(void (*set_up)(void), const char *legend)
{
    char *whole;
    int status = 99;
    int calls = 0;
    again();
    set_up();
    recover();
    whole = interrupted_snapshot();
    for (int call = 0; status == 99; call++) {
        char *found;
        again();
        set_up();
        status = crash(recover_quietly, call);
        cr_assert(status == 99 || status == 0, "%s, call %d: %d", legend, call, status);
        if (status == 99 && call % 2 == 0)
            crash(recover_quietly, 1); /* and once more, soon after */
        recover();
        found = interrupted_snapshot();
        cr_expect_str_eq(found, whole, "%s, call %d", legend, call);
        free(found);
        calls++;
    }
    cr_expect_gt(calls, 3, "%s", legend);
    free(whole);
}

static void set_up_filed(void)
{
    set_up_torn();
    interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
    cr_assert_eq(crash(file_run_2, 4), 99);
}

Test(series_recover, every_crash_of_a_recovery_is_finished_by_the_next)
{
    want_same_after_crashes(set_up_torn, "a torn run");
    want_same_after_crashes(set_up_empty, "a run without a row");
    want_same_after_crashes(set_up_filed, "a run with its record");
}

Test(series_recover, every_call_that_fails_is_told_and_loses_nothing)
{
    struct run_record r = interrupted_record(2);
    enum err_code code = ERR_SYSTEM;
    int failures = 0;
    for (int call = 0; code != ERR_OK; call++) {
        struct err e = {0};
        again();
        interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
        interrupted_put_journal(2, "");
        interrupted_fail_after = call;
        code = series_file_run(interrupted_series, &r, &e);
        interrupted_fail_after = -1;
        cr_expect(code == ERR_OK || (code == ERR_SYSTEM && strstr(e.text, "Input/output error") != NULL),
                  "call %d: %s", call, e.text);
        failures += code != ERR_OK;
        recover();
        want_rows(CSV_BYTES, "filing");
    }
    cr_expect_geq(failures, 5);
    run_record_free(&r);
    code = ERR_SYSTEM;
    failures = 0;
    for (int call = 0; code != ERR_OK; call++) {
        struct err e = {0};
        again();
        set_up_torn();
        interrupted_fail_after = call;
        code = series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &progress, &e);
        interrupted_fail_after = -1;
        cr_expect(code == ERR_OK || (code == ERR_SYSTEM && strstr(e.text, "Input/output error") != NULL),
                  "call %d: %s", call, e.text);
        failures += code != ERR_OK;
        recover();
        want_rows((size_t)(strstr(INTERRUPTED_CSV, "5000,") - INTERRUPTED_CSV), "recovery");
    }
    cr_expect_geq(failures, 9);
}

Test(series_recover, filing_never_takes_the_place_of_a_file)
{
    static const struct {
        const char *name, *message;
    } rows[] = {{"s/runs/0002.csv", "is there already"}, {"s/runs/0002.json", "is there already"}};
    struct run_record r = interrupted_record(2);
    struct err e;
    char *before;
    char *after;
    cr_expect_eq(series_file_run(interrupted_series, &r, &e), ERR_SYSTEM);
    cr_expect(strstr(e.file, "0002.csv.part") != NULL && strstr(e.text, "is missing") != NULL, "%s", e.text);
    for (size_t i = 0; i < 2; i++) {
        again();
        interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
        interrupted_put_journal(2, "");
        scratch_write(rows[i].name, "mine");
        before = interrupted_snapshot();
        cr_expect_eq(series_file_run(interrupted_series, &r, &e), ERR_SYSTEM);
        cr_expect_not_null(strstr(e.text, rows[i].message), "%s", e.text);
        after = interrupted_snapshot();
        cr_expect_str_eq(before, after);
        free(before);
        free(after);
    }
    run_record_free(&r);
}

/* A power cut may end the file anywhere: each whole row is kept, and nothing else. */
Test(series_recover, a_file_that_ends_at_any_byte_keeps_its_whole_rows)
{
    size_t header = strlen(RUN_CSV_HEADER) + 1;
    for (size_t cut = 0; cut <= CSV_BYTES; cut++) {
        size_t whole = cut;
        char torn[64];
        while (whole > 0 && INTERRUPTED_CSV[whole - 1] != '\n')
            whole--;
        again();
        interrupted_put_rows(2, INTERRUPTED_CSV, cut);
        interrupted_put_journal(2, "");
        recover();
        if (whole <= header) {
            cr_expect(!interrupted_has("runs/0002.csv.part") && !interrupted_has("runs/0002.json.part") &&
                          !interrupted_has("runs/0002.csv") && progress.next_number == 2,
                      "cut at %zu: %s", cut, told);
            cr_expect_eq(interrupted_findings(), 0);
            continue;
        }
        want_rows(whole, "cut");
        cr_expect_eq(progress.next_number, 3);
        snprintf(torn, sizeof torn, "; %zu bytes of a torn row were cut", cut - whole);
        cr_expect_eq(strstr(read_record(2)->events[0].text, torn) != NULL, cut > whole, "cut at %zu: %s", cut,
                     read_record(2)->events[0].text);
    }
}

Test(series_recover, a_tail_of_anything_is_cut_off)
{
    static char zeros[300000];
    static char feeds[5000];
    static const struct {
        const char *legend, *tail;
        size_t length;
    } rows[] = {
        {"NUL bytes", zeros, sizeof zeros},
        {"NUL bytes and a line feed", "\0\0\0\n", 4},
        {"line feeds", feeds, sizeof feeds},
        {"garbage", "6000,1,\xff\xfe\x01\n7000,8,,,\n\nabc", 25},
        {"a row with a letter", "6000,97x1,3,4,0\n", 16},
        {"a row with a field too few", "6000,9701,3,4\n", 14},
        {"a row that is out of range", "6000,2147483648,3,4,0\n", 22},
        {"NUL bytes inside a row", "6000,97\0\0\0,3,4,0\n", 17},
        {"a row without its line feed", "6000,9701,3,4,0", 15},
    };
    memset(feeds, '\n', sizeof feeds);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *text = malloc(CSV_BYTES + rows[i].length);
        again();
        memcpy(text, INTERRUPTED_CSV, CSV_BYTES);
        memcpy(text + CSV_BYTES, rows[i].tail, rows[i].length);
        interrupted_put_rows(2, text, CSV_BYTES + rows[i].length);
        interrupted_put_journal(2, "");
        recover();
        want_rows(CSV_BYTES, rows[i].legend);
        cr_expect_eq(read_record(2)->rows, INTERRUPTED_ROWS, "%s", rows[i].legend);
        want_idle(rows[i].legend);
        free(text);
    }
}

Test(series_recover, a_file_of_nul_bytes_holds_nothing)
{
    static const char zeros[5000];
    interrupted_put_rows(2, zeros, sizeof zeros);
    interrupted_put_journal(2, "");
    recover();
    cr_expect(!interrupted_has("runs/0002.csv.part") && !interrupted_has("runs/0002.json.part"));
    cr_expect_not_null(strstr(told, "run 0002: taken away"), "%s", told);
}

Test(series_recover, what_no_crash_leaves_is_told_and_left)
{
    static const struct {
        const char *legend, *from, *to, *why; /* made of the rows */
    } rows[] = {
        {"a bad row in the middle", "2000,9304", "2000,x304", "'x304' is not a whole number"},
        {"NUL bytes in the middle", "2000,9304", "\1\1\1\1,9304", "0002.csv.part:4"},
        {"time that runs backward", "4000,9502", "400,9502", "is before the row above"},
        {"an encoder that comes and goes", "43,15,1", "43,,1", "in every row or in none"},
        {"another header", "time_us", "time_ms", "no capture program began this file"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char *bad = scratch_replace(INTERRUPTED_CSV, rows[i].from, rows[i].to);
        again();
        interrupted_put_rows(2, bad, strlen(bad) - 3);
        interrupted_put_journal(2, "");
        want_left(rows[i].legend, rows[i].why);
        cr_expect_eq(progress.next_number, 3, "%s", rows[i].legend);
        free(bad);
    }
}

static void put_all(void)
{
    interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
    interrupted_put_journal(2, "");
}

static void put_record(int number, int64_t rows)
{
    struct run_record r = interrupted_record(number);
    struct err e;
    r.rows = rows;
    cr_assert_eq(run_record_write(scratch_path("s/runs/0002.json"), &r, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
}

Test(series_recover, files_that_do_not_belong_together_are_told_and_left)
{
    put_all();
    unlink(scratch_path("s/runs/0002.json.part"));
    want_left("rows without a journal", "no journal beside it");
    cr_expect_eq(progress.next_number, 3);
    again();
    put_all();
    scratch_write("s/runs/0002.csv", "mine");
    want_left("rows under both names", "both a .csv and a .csv.part");
    again();
    put_all();
    put_record(2, INTERRUPTED_ROWS - 1);
    want_left("a row more than the record says", "has 6 rows, but its record says 5");
    again();
    put_all();
    put_record(2, INTERRUPTED_ROWS + 1);
    want_left("a row less than the record says", "has 6 rows, but its record says 7");
    again();
    put_record(2, INTERRUPTED_ROWS);
    want_left("a record without rows", "its record has no rows");
    interrupted_put_journal(2, "");
    want_left("a record and a journal", "its record has no rows");
    again();
    scratch_write("s/runs/0002.csv", INTERRUPTED_CSV);
    want_left("rows without a record", "its rows have no record");
    again();
    put_all();
    interrupted_put_journal(2, "{\"note\":1}\n");
    want_left("a bad journal", "0002.json.part:2: a line is an event");
    scratch_write("s/runs/0002.json.part", "{");
    want_left("a journal without a head", "missing or torn");
    again();
    put_all();
    cr_assert_eq(rename(scratch_path("s/runs/0002.json.part"), scratch_path("s/runs/0003.json.part")), 0);
    cr_assert_eq(rename(scratch_path("s/runs/0002.csv.part"), scratch_path("s/runs/0003.csv.part")), 0);
    want_left("a journal of another run", "is 2, but the file belongs to run 3");
}

Test(series_recover, a_journal_that_is_left_over_is_taken_away)
{
    interrupted_put_journal(1, "");
    interrupted_put_journal(2, "");
    scratch_write("s/runs/0003.json.part", "{\"torn");
    recover();
    cr_expect(!interrupted_has("runs/0001.json.part") && !interrupted_has("runs/0002.json.part") &&
              !interrupted_has("runs/0003.json.part"));
    cr_expect(progress.finished[1] && progress.next_number == 2);
    cr_expect_eq(interrupted_findings(), 0);
    want_idle("left over");
}

Test(series_recover, a_record_that_cannot_be_read_ends_it)
{
    struct err e;
    put_all();
    scratch_write("s/runs/0002.json", "{}");
    cr_expect_eq(series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &progress, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.file, "0002.json"), "%s", e.file);
    again();
    cr_assert_eq(rename(scratch_path("s/runs/0001.csv"), scratch_path("s/runs/0002.csv")), 0);
    cr_assert_eq(rename(scratch_path("s/runs/0001.json"), scratch_path("s/runs/0002.json")), 0);
    cr_expect_eq(series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &progress, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "is 1, but the file belongs to run 2"), "%s", e.text);
}

Test(series_recover, only_our_temporary_files_are_removed)
{
    static const char *const ours[] = {"datapackage.json.a1B2c3.tmp", "plan.yaml.ABCDEF.tmp",
                                       "calibration.json.000000.tmp", "runs/0002.json.zzzzzz.tmp"};
    static const char *const others[] = {"datapackage.json.a1B2c.tmp",  "datapackage.json.a1B2c34.tmp",
                                         "datapackage.json.a1B2c-.tmp", "datapackage.json.a1B2c3.tmpx",
                                         "notes.txt.a1B2c3.tmp",        "runs/datapackage.json.a1B2c3.tmp",
                                         "0002.json.zzzzzz.tmp",        "runs/0002.csv.zzzzzz.tmp",
                                         "runs/002.json.zzzzzz.tmp",    "runs/0000.json.zzzzzz.tmp"};
    char name[128];
    for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++) {
        snprintf(name, sizeof name, "s/%s", ours[i]);
        scratch_write(name, "{");
    }
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        snprintf(name, sizeof name, "s/%s", others[i]);
        scratch_write(name, "{");
    }
    recover();
    for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++)
        cr_expect_not(interrupted_has(ours[i]), "%s", ours[i]);
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++)
        cr_expect(interrupted_has(others[i]), "%s", others[i]);
    cr_expect_eq(progress.next_number, 3, "runs/0002.csv.zzzzzz.tmp has number 2");
}

/* Each link would lead a writer to a file that is not of the series. */
Test(series_recover, links_lead_nowhere)
{
    static const char *const links[] = {"s/runs/0002.csv.part", "s/runs/0002.json.part"};
    struct err e;
    for (size_t i = 0; i < 2; i++) {
        char *outside;
        again();
        put_all();
        /* A target that could be recovered, with a torn tail. */
        cr_assert_eq(rename(scratch_path(links[i]), scratch_path("outside")), 0);
        cr_assert_eq(truncate(scratch_path("outside"), i == 0 ? (off_t)CSV_BYTES - 5 : 5000), 0);
        cr_assert_eq(symlink("../../outside", scratch_path(links[i])), 0);
        want_left(links[i], "is no regular file");
        outside = scratch_read("outside");
        cr_expect_eq(strncmp(outside, i == 0 ? RUN_CSV_HEADER : "{", 1), 0);
        free(outside);
    }
    again();
    scratch_write("outside", "mine");
    cr_assert_eq(symlink("../../outside", scratch_path("s/runs/0002.json.abcdef.tmp")), 0);
    cr_assert_eq(symlink("../../outside", scratch_path("s/runs/0003.json.part")), 0);
    recover();
    cr_expect(interrupted_has("runs/0002.json.abcdef.tmp") && interrupted_has("runs/0003.json.part"));
    again();
    put_all();
    cr_assert_eq(rename(scratch_path("s/runs"), scratch_path("runs")), 0);
    cr_assert_eq(symlink("../runs", scratch_path("s/runs")), 0);
    cr_expect_eq(series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &progress, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "is no folder of its own"), "%s", e.text);
    cr_expect_eq(access(scratch_path("runs/0002.csv.part"), F_OK), 0);
    again();
    put_all();
    put_record(2, INTERRUPTED_ROWS);
    cr_assert_eq(rename(scratch_path("s/runs/0002.json"), scratch_path("outside")), 0);
    cr_assert_eq(symlink("../../outside", scratch_path("s/runs/0002.json")), 0);
    cr_expect_eq(series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &progress, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "leaves the folder"), "%s", e.text);
}

Test(series_recover, a_descriptor_is_written_anew_when_it_does_not_list_every_run)
{
    static const char *const bad[] = {NULL, "{",
                                      "{\"nipbench_series\": 1, \"simulated\": true, \"resources\": []}"};
    struct run_record r = interrupted_record(2);
    char *whole = scratch_read("s/datapackage.json");
    char *found;
    for (size_t i = 0; i < 3; i++) {
        if (bad[i] == NULL)
            unlink(scratch_path("s/datapackage.json"));
        else
            scratch_write("s/datapackage.json", bad[i]);
        recover();
        found = scratch_read("s/datapackage.json");
        cr_expect_str_eq(found, whole);
        cr_expect_not_null(strstr(told, "datapackage.json: written anew"), "%s", told);
        free(found);
    }
    /* A run that was filed just before the program ended. */
    interrupted_put_rows(2, INTERRUPTED_CSV, CSV_BYTES);
    cr_assert_eq(series_file_run(interrupted_series, &r, NULL), ERR_OK);
    recover();
    cr_expect_eq(interrupted_findings(), 0);
    cr_expect(progress.finished[2] && progress.next_number == 3);
    /* That a run is lost must not be hidden by writing the list anew. */
    unlink(scratch_path("s/runs/0001.csv"));
    unlink(scratch_path("s/runs/0001.json"));
    recover();
    cr_expect_not_null(strstr(told, "run 0001 is listed in datapackage.json, but not all of it is there"),
                       "%s", told);
    cr_expect_eq(interrupted_findings(), 2);
    free(whole);
    run_record_free(&r);
}

Test(series_recover, what_is_no_series_is_refused)
{
    struct err e;
    cr_assert_eq(mkdir(scratch_path("other"), 0755), 0);
    scratch_write("other/file", "x");
    cr_expect_eq(series_recover(scratch_path("other"), &interrupted_plan, NULL, NULL, &progress, &e),
                 ERR_FILE);
    cr_expect_eq(series_recover(scratch_path("none"), &interrupted_plan, NULL, NULL, &progress, &e),
                 ERR_FILE);
    cr_expect_eq(rename(scratch_path("s/runs"), scratch_path("runs")), 0);
    cr_expect_eq(series_recover(interrupted_series, &interrupted_plan, NULL, NULL, &progress, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "holds no series"), "%s", e.text);
}

/* A sound run that the operator had repeated is not done when its repeat was broken off. */
Test(series_recover, a_repeat_that_was_broken_off_is_still_wanted)
{
    static const struct {
        int plan_run, repeats;
        enum run_end ended;
    } runs[] = {{1, 0, RUN_COMPLETE}, {2, 0, RUN_LIMIT}, {1, 2, RUN_INTERRUPTED}, {2, 3, RUN_INTERRUPTED},
                {2, 3, RUN_COMPLETE}, {3, 0, RUN_FAULT}, {3, 7, RUN_FAULT}};
    for (size_t i = 0; i < sizeof runs / sizeof runs[0]; i++) {
        struct run_record r = interrupted_record((int)i + 2);
        struct err e;
        r.plan_run = runs[i].plan_run;
        r.repeats = runs[i].repeats;
        r.ended = runs[i].ended;
        interrupted_put_rows(r.number, INTERRUPTED_CSV, CSV_BYTES);
        cr_assert_eq(series_file_run(interrupted_series, &r, &e), ERR_OK, "%s", e.text);
        run_record_free(&r);
    }
    recover();
    cr_expect(!progress.finished[1] && progress.repeats[1] == 2, "the repeat of run 2 came to nothing");
    cr_expect(progress.finished[2] && progress.repeats[2] == 0, "that of run 3 came to something in the end");
    cr_expect(!progress.finished[3] && progress.repeats[3] == 7, "run 7 was a fault and so was its repeat");
    cr_expect_eq(progress.finished_count, 1);
}

/* A run of the plan may have been tried several times. */
Test(series_recover, progress_goes_by_the_plan)
{
    static const struct {
        int plan_run;
        enum run_end ended;
        const char *serial;
    } runs[] = {{0, RUN_LIMIT, "rig-1"},       {0, RUN_INTERRUPTED, "rig-2"}, {0, RUN_FAULT, "rig-3"},
                {3, RUN_COMPLETE, "rig-4"},    {2, RUN_FAULT, "rig-5"},       {3, RUN_COMPLETE, "rig-6"},
                {12, RUN_LIMIT, "rig-7"},      {13, RUN_COMPLETE, "rig-8"},   {1000, RUN_COMPLETE, "rig-9"},
                {5, RUN_INTERRUPTED, "rig-10"}};
    for (size_t i = 0; i < sizeof runs / sizeof runs[0]; i++) {
        struct run_record r = interrupted_record((int)i + 2);
        struct err e;
        r.plan_run = runs[i].plan_run;
        r.ended = runs[i].ended;
        r.rig_serial = runs[i].serial;
        interrupted_put_rows(r.number, INTERRUPTED_CSV, CSV_BYTES);
        cr_assert_eq(series_file_run(interrupted_series, &r, &e), ERR_OK, "%s", e.text);
        run_record_free(&r);
    }
    recover();
    for (int place = 1; place <= PLAN_RUNS_MAX; place++)
        cr_expect_eq(progress.finished[place], place <= 3 || place == 12, "place %d of 12", place);
    cr_expect(progress.finished_count == 4 && progress.next_number == 12, "%d", progress.next_number);
    cr_expect_str_eq(progress.rig_serial, "rig-10");
    scratch_write("s/runs/0417.txt", "x");
    scratch_write("s/runs/note", "x");
    recover();
    cr_expect_eq(progress.next_number, 418);
    scratch_write("s/runs/9999.csv.part", INTERRUPTED_CSV);
    recover();
    cr_expect_eq(progress.next_number, 10000);
}
