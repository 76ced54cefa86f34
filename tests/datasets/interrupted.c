#include "tests/datasets/interrupted.h"

#include "datasets/format/run_journal.h"
#include "datasets/format/series.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <errno.h>
#include <fcntl.h>
#include <fts.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

const char INTERRUPTED_CSV[] =
    RUN_CSV_HEADER "\n0,8131,0,4,0\n1000,8199,21,9,0\n2000,9304,43,15,1\n3000,9411,65,21,0\n"
                   "4000,9502,87,27,0\n5000,9633,109,33,0\n";
struct plan interrupted_plan;
const char *interrupted_series;

int interrupted_crash_after = -1;
int interrupted_fail_after = -1;

char interrupted_log[4096];

static void note(const char *call, const char *path)
{
    size_t used = strlen(interrupted_log);
    const char *slash = strrchr(path, '/');
    snprintf(interrupted_log + used, sizeof interrupted_log - used, "%s %s\n", call,
             slash == NULL ? path : slash + 1);
}

static void note_fd(const char *call, int fd)
{
    char link[64];
    char path[1024] = "";
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    if (readlink(link, path, sizeof path - 1) > 0)
        note(call, path);
}

/* Whether the call at hand is to fail. */
static bool is_cut_off(void)
{
    if (interrupted_crash_after >= 0 && interrupted_crash_after-- == 0)
        _exit(99);
    if (interrupted_fail_after < 0 || interrupted_fail_after-- > 0)
        return false;
    errno = EIO;
    return true;
}

/* These take the place of the C library's in this program. */
int fsync(int fd)
{
    note_fd("fsync", fd);
    return is_cut_off() ? -1 : (int)syscall(SYS_fsync, fd);
}

int ftruncate(int fd, off_t length)
{
    note_fd("ftruncate", fd);
    return is_cut_off() ? -1 : (int)syscall(SYS_ftruncate, fd, length);
}

int rename(const char *from, const char *to)
{
    note("rename", to);
    return is_cut_off() ? -1 : (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
}

int renameat2(int from_folder, const char *from, int to_folder, const char *to, unsigned flags)
{
    note("rename", to);
    return is_cut_off() ? -1 : (int)syscall(SYS_renameat2, from_folder, from, to_folder, to, flags);
}

int unlink(const char *path)
{
    note("unlink", path);
    return is_cut_off() ? -1 : (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}

struct run_record interrupted_record(int number)
{
    struct run_record r = scratch_record();
    r.number = number;
    r.sample_rate_hz = 1000;
    r.rows = INTERRUPTED_ROWS;
    r.push_start_us = 1000;
    r.push_end_us = 4000;
    r.ended = RUN_COMPLETE;
    r.ended_why = "travel complete";
    r.frames_missing = r.frames_corrupt = r.gaps = 0;
    r.link_recorded = true;
    r.link.clock_ppm = 31.25;
    r.link.clock_standard_uncertainty_ppm = 2.385;
    return r;
}

void interrupted_put_rows(int number, const void *text, size_t length)
{
    char name[64];
    snprintf(name, sizeof name, "s/runs/%04d.csv.part", number);
    scratch_write_bytes(name, text, length);
}

void interrupted_put_journal(int number, const char *lines)
{
    struct run_record r = interrupted_record(number);
    char name[64];
    char *head;
    char *text;
    size_t length;
    struct err e;
    cr_assert_eq(run_journal_format_head(&r, &head, &length, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
    text = malloc(length + strlen(lines));
    memcpy(text, head, length);
    memcpy(text + length, lines, strlen(lines));
    snprintf(name, sizeof name, "s/runs/%04d.json.part", number);
    scratch_write_bytes(name, text, length + strlen(lines));
    free(text);
    free(head);
}

void interrupted_begin(void)
{
    static char folder[1024];
    struct calibration c = scratch_calibration();
    struct run_record r = interrupted_record(1);
    struct err e;
    scratch_begin();
    cr_assert_eq(calibration_write(scratch_path("c.json"), &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(plan_read(scratch_write("p.yaml", SCRATCH_PLAN), &interrupted_plan, &e), ERR_OK, "%s",
                 e.text);
    strcpy(folder, scratch_path("s"));
    interrupted_series = folder;
    cr_assert_eq(series_create(folder, scratch_path("p.yaml"), &interrupted_plan, scratch_path("c.json"), &e),
                 ERR_OK, "%s", e.text);
    interrupted_put_rows(1, INTERRUPTED_CSV, strlen(INTERRUPTED_CSV));
    cr_assert_eq(series_file_run(folder, &r, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(series_write_package(folder, &interrupted_plan, &e), ERR_OK, "%s", e.text);
    run_record_free(&r);
}

struct told {
    char *text;
    size_t size;
};

static void keep(void *context, const char *text)
{
    struct told *t = context;
    size_t used = strlen(t->text);
    snprintf(t->text + used, t->size - used, "%s\n", text);
}

struct series_progress interrupted_recover(char *told, size_t size)
{
    struct series_progress progress;
    struct told t = {told, size};
    struct err e = {0};
    told[0] = 0;
    cr_assert_eq(series_recover(interrupted_series, &interrupted_plan, keep, &t, &progress, &e), ERR_OK,
                 "%s: %s", e.file, e.text);
    return progress;
}

static int by_name(const FTSENT **a, const FTSENT **b)
{
    return strcmp((*a)->fts_name, (*b)->fts_name);
}

char *interrupted_snapshot(void)
{
    char *roots[] = {(char *)interrupted_series, NULL};
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    FTS *walk = fts_open(roots, FTS_PHYSICAL | FTS_NOCHDIR, by_name);
    FTSENT *entry;
    while ((entry = fts_read(walk)) != NULL) {
        FILE *in;
        int c;
        if (entry->fts_info == FTS_D)
            continue;
        fprintf(out, "== %s ==\n", entry->fts_path + strlen(interrupted_series));
        if (entry->fts_info != FTS_F || (in = fopen(entry->fts_path, "rb")) == NULL)
            continue;
        while ((c = getc(in)) != EOF)
            putc(c == 0 ? '0' : c, out);
        fclose(in);
    }
    fts_close(walk);
    fclose(out);
    return text;
}

static void count(void *context, const struct err *finding)
{
    ++*(size_t *)context;
    cr_log_info("%s: %s", finding->file, finding->text);
}

size_t interrupted_findings(void)
{
    size_t findings = 0;
    series_verify(interrupted_series, count, &findings, NULL);
    return findings;
}

bool interrupted_has(const char *name)
{
    char full[1024];
    struct stat status;
    snprintf(full, sizeof full, "%s/%s", interrupted_series, name);
    return lstat(full, &status) == 0;
}
