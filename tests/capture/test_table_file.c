/* Tables that grow by rows: whole rows, nothing written over, nothing left behind. */
#include "capture/table_file.h"

#include <criterion/criterion.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

static char folder[] = "/tmp/table.XXXXXX";
static char path[64], json[64];
static struct table_file *t;
static struct err e;

static void make_folder(void)
{
    cr_assert_not_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/a.b.csv", folder);
    snprintf(json, sizeof json, "%s/a.b.json", folder);
}

static void remove_folder(void)
{
    unlink(path);
    unlink(json);
    cr_expect_eq(rmdir(folder), 0, "something else was left in the folder");
}

static void holds(const char *file, const char *wanted)
{
    char text[4096] = "";
    FILE *f = fopen(file, "r");
    cr_assert_not_null(f, "%s is not there", file);
    text[fread(text, 1, sizeof text - 1, f)] = 0;
    fclose(f);
    cr_expect_str_eq(text, wanted);
}

static void put(const char *file, const char *text)
{
    FILE *f = fopen(file, "w");
    cr_assert_not_null(f);
    fputs(text, f);
    fclose(f);
}

TestSuite(table_file, .init = make_folder, .fini = remove_folder);

Test(table_file, rows_are_in_the_file_as_soon_as_they_are_appended)
{
    cr_assert_eq(table_file_create(path, "x,y", &t, &e), ERR_OK, "%s", e.text);
    holds(path, "x,y\n");
    cr_assert_eq(table_file_append(t, "2.385,up", &e), ERR_OK);
    holds(path, "x,y\n2.385,up\n");
    cr_assert_eq(table_file_describe(t, json_pack("{s:i}", "n", 1), &e), ERR_OK, "%s", e.text);
    cr_assert_eq(table_file_describe(t, json_pack("{s:i}", "n", 2), &e), ERR_OK, "%s", e.text);
    cr_assert_eq(table_file_append(t, "-7.1,down", &e), ERR_OK);
    cr_expect_eq(table_file_rows(t), 2);
    table_file_close(t);
    holds(path, "x,y\n2.385,up\n-7.1,down\n");
    holds(json, "{\n  \"n\": 2\n}\n");
}

Test(table_file, a_table_without_a_row_leaves_nothing_behind)
{
    cr_assert_eq(table_file_create(path, "x", &t, &e), ERR_OK);
    cr_assert_eq(table_file_describe(t, json_object(), &e), ERR_OK);
    table_file_close(t);
    cr_expect_neq(access(path, F_OK), 0);
    cr_expect_neq(access(json, F_OK), 0);
    table_file_close(NULL);
}

Test(table_file, nothing_is_written_over)
{
    put(path, "old\n");
    cr_expect_eq(table_file_create(path, "x", &t, &e), ERR_USAGE);
    cr_expect_str_eq(e.text, "exists already; choose another name (nothing was changed)");
    cr_expect_str_eq(e.file, path);
    holds(path, "old\n");
    unlink(path);
    put(json, "{}");
    cr_expect_eq(table_file_create(path, "x", &t, &e), ERR_USAGE);
    cr_expect_str_eq(e.file, json);
    holds(json, "{}");
    cr_expect_neq(access(path, F_OK), 0);
    unlink(json);
    cr_assert_eq(symlink("nowhere", path), 0);
    cr_expect_eq(table_file_create(path, "x", &t, &e), ERR_USAGE, "a link counts as a file");
}

Test(table_file, names_that_will_not_do_are_refused)
{
    char name[600];
    cr_expect_eq(table_file_create("readings.txt", "x", &t, &e), ERR_USAGE);
    cr_expect_str_eq(e.text, "the name of this file must end in .csv");
    cr_expect_eq(table_file_create(".csv", "x", &t, &e), ERR_USAGE);
    cr_expect_eq(table_file_create("/tmp/.csv", "x", &t, &e), ERR_USAGE);
    snprintf(name, sizeof name, "%s/no/such.csv", folder);
    cr_expect_eq(table_file_create(name, "x", &t, &e), ERR_USAGE);
    cr_expect_str_eq(e.text, "the folder of this file does not exist");
    memset(name, 'a', sizeof name);
    snprintf(name + 590, 10, ".csv");
    cr_expect_eq(table_file_create(name, "x", &t, &e), ERR_USAGE);
    cr_expect_str_eq(e.text, "the name of this file is too long");
    cr_expect_null(t);
}

Test(table_file, a_full_disk_leaves_whole_rows)
{
    struct rlimit limit = {.rlim_cur = 20, .rlim_max = RLIM_INFINITY};
    signal(SIGXFSZ, SIG_IGN);
    cr_assert_eq(table_file_create(path, "x,y", &t, &e), ERR_OK);
    cr_assert_eq(table_file_append(t, "1.25,up", &e), ERR_OK);
    cr_assert_eq(setrlimit(RLIMIT_FSIZE, &limit), 0);
    cr_expect_eq(table_file_append(t, "11.75,up,too long", &e), ERR_SYSTEM);
    cr_expect_str_eq(e.text, "cannot write: File too large");
    cr_expect_str_eq(e.file, path);
    cr_expect_eq(table_file_rows(t), 1);
    table_file_close(t);
    holds(path, "x,y\n1.25,up\n");
}

Test(table_file, a_row_that_is_too_long_is_our_own_fault)
{
    char row[700];
    memset(row, '7', sizeof row);
    row[sizeof row - 1] = 0;
    cr_assert_eq(table_file_create(path, "x", &t, &e), ERR_OK);
    cr_expect_eq(table_file_append(t, row, &e), ERR_CALLER);
    cr_assert_eq(table_file_append(t, "5.5", &e), ERR_OK);
    cr_expect_eq(table_file_describe(t, NULL, &e), ERR_CALLER, "no memory for the JSON");
    table_file_close(t);
    holds(path, "x\n5.5\n");
}
