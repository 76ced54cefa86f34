#include "datasets/format/file_bytes.h"

#include "datasets/format/series.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <dirent.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

TestSuite(file_bytes, .init = scratch_begin, .fini = scratch_end);

static size_t entries_of(const char *path)
{
    size_t n = 0;
    DIR *d = opendir(path);
    while (readdir(d) != NULL)
        n++;
    closedir(d);
    return n - 2;
}

/* The digests of "abc" and of the empty message are in FIPS 180-4's examples and known by heart everywhere.
 */
Test(file_bytes, a_hash_is_the_published_one)
{
    char text[FILE_BYTES_HASH_SIZE];
    struct err e;
    int64_t size = -1;
    char *megabyte = malloc(1000000);
    cr_assert_eq(file_bytes_hash(scratch_write("f", "abc"), text, &size, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(text, "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    cr_expect_eq(size, 3);
    cr_assert_eq(series_hash_file(scratch_write("f", ""), text, &e), ERR_OK);
    cr_expect_str_eq(text, "sha256:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    memset(megabyte, 'a', 1000000);
    cr_assert_eq(file_bytes_hash(scratch_write_bytes("f", megabyte, 1000000), text, &size, &e), ERR_OK);
    cr_expect_str_eq(text, "sha256:cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    free(megabyte);
    cr_expect_eq(file_bytes_hash(scratch_path("none"), text, &size, &e), ERR_FILE);
    /* A hole takes no room on the disk, but would take minutes to read. */
    cr_assert_eq(truncate(scratch_write("f", "abc"), FILE_BYTES_SIZE_MAX + 1), 0);
    cr_expect_eq(file_bytes_hash(scratch_path("f"), text, &size, &e), ERR_FILE);
    cr_expect_not_null(strstr(e.text, "at most 2147483648 are allowed"), "%s", e.text);
    cr_expect_eq(file_bytes_hash(scratch_path(""), text, &size, &e), ERR_FILE);
}

Test(file_bytes, a_file_is_replaced_whole)
{
    struct err e;
    char *bytes;
    size_t length;
    cr_assert_eq(series_write_file(scratch_path("f"), "old", 3, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(file_bytes_write(scratch_path("f"), "n\0w", 3, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(file_bytes_read(scratch_path("f"), 3, &bytes, &length, &e), ERR_OK);
    cr_expect(length == 3 && memcmp(bytes, "n\0w", 4) == 0);
    free(bytes);
    cr_expect_eq(entries_of(scratch_path("")), 1, "no temporary file is left");
    cr_expect_eq(file_bytes_read(scratch_path("f"), 2, &bytes, &length, &e), ERR_FILE);
    cr_expect_null(bytes);
}

Test(file_bytes, a_write_that_fails_says_why_and_leaves_the_old_file)
{
    struct err e;
    char *text;
    const struct rlimit small = {1000, 1000};
    char *much = calloc(1, 5000);
    cr_expect_eq(file_bytes_write(scratch_path("none/f"), "x", 1, &e), ERR_SYSTEM);
    cr_expect(strstr(e.text, "No such file") != NULL && strstr(e.file, "none/f") != NULL, "%s", e.text);
    cr_assert_eq(mkdir(scratch_path("folder"), 0755), 0);
    scratch_write("folder/inside", "x");
    cr_expect_eq(file_bytes_write(scratch_path("folder"), "x", 1, &e), ERR_SYSTEM, "over a folder");
    scratch_write("f", "old");
    /* A bound on the size of files makes the second write fail, as a full disk does. */
    signal(SIGXFSZ, SIG_IGN);
    cr_assert_eq(setrlimit(RLIMIT_FSIZE, &small), 0);
    cr_expect_eq(file_bytes_write(scratch_path("f"), much, 5000, &e), ERR_SYSTEM);
    cr_expect_not_null(strstr(e.text, "cannot be written: File too large"), "%s", e.text);
    text = scratch_read("f");
    cr_expect_str_eq(text, "old");
    cr_expect_eq(entries_of(scratch_path("")), 2, "no temporary file is left");
    free(text);
    free(much);
}

Test(file_bytes, a_rename_takes_the_place_of_no_file)
{
    struct err e;
    char *text;
    scratch_write("from", "new");
    scratch_write("to", "old");
    cr_expect_eq(file_bytes_rename_new(scratch_path("from"), scratch_path("to"), &e), ERR_SYSTEM);
    cr_expect_not_null(strstr(e.text, "File exists"), "%s", e.text);
    text = scratch_read("to");
    cr_expect_str_eq(text, "old");
    free(text);
    cr_assert_eq(symlink("nowhere", scratch_path("link")), 0);
    cr_expect_eq(file_bytes_rename_new(scratch_path("from"), scratch_path("link"), &e), ERR_SYSTEM);
    cr_expect_eq(file_bytes_rename_new(scratch_path("none"), scratch_path("other"), &e), ERR_SYSTEM);
    cr_assert_eq(file_bytes_rename_new(scratch_path("from"), scratch_path("other"), &e), ERR_OK, "%s",
                 e.text);
    text = scratch_read("other");
    cr_expect_str_eq(text, "new");
    cr_expect_null(scratch_read("from"));
    free(text);
}
