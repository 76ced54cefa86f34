/* A series whose making is killed before each of its system calls, and then once more while it goes on, is
 * made whole by the next attempt, and what was durable is neither lost nor written again. */
#include "datasets/format/descriptor.h"
#include "datasets/format/series.h"
#include "datasets/format/series_recover.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

/* The linker sends what series_create and its kin call here (--wrap). A process dies in place of the call
 * number dies_at (from 1; 0: never), as by SIGKILL: nothing that is still in its buffers is written. */
static int calls, dies_at;

static void count_call(void)
{
    if (dies_at > 0 && ++calls == dies_at)
        raise(SIGKILL);
}

#define WRAP(type, name, parameters, arguments)                                                              \
    type __real_##name parameters;                                                                           \
    type __wrap_##name parameters __attribute__((used));                                                     \
    type __wrap_##name parameters                                                                            \
    {                                                                                                        \
        count_call();                                                                                        \
        return __real_##name arguments;                                                                      \
    }
WRAP(int, mkdir, (const char *path, mode_t mode), (path, mode))
WRAP(int, mkostemps64, (char *name, int suffix, int flags), (name, suffix, flags))
WRAP(int, fflush, (FILE * file), (file))
WRAP(int, fchmod, (int fd, mode_t mode), (fd, mode))
WRAP(int, fsync, (int fd), (fd))
WRAP(int, fclose, (FILE * file), (file))
WRAP(int, rename, (const char *from, const char *to), (from, to))
WRAP(int, unlink, (const char *path), (path))
WRAP(int, flock, (int fd, int how), (fd, how))

static struct plan plan;
static char folder[1024], plan_path[1024], calibration_path[1024];

static enum err_code create(struct err *e)
{
    return series_create(folder, plan_path, &plan, calibration_path, e);
}

static void begin(void)
{
    struct calibration c = scratch_calibration();
    struct err e;
    scratch_begin();
    strcpy(calibration_path, scratch_path("c.json"));
    strcpy(plan_path, scratch_write("p.yaml", SCRATCH_PLAN));
    strcpy(folder, scratch_path("s"));
    cr_assert_eq(calibration_write(calibration_path, &c, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(plan_read(plan_path, &plan, &e), ERR_OK, "%s", e.text);
}

TestSuite(series_create, .init = begin, .fini = scratch_end);

/* Make the series in a process that dies in place of the call of that number; false when it came to its end
 * before. */
static bool make_and_die(int number)
{
    int status;
    pid_t child = fork();
    cr_assert_geq(child, 0);
    if (child == 0) {
        struct err e;
        dies_at = number;
        _exit(create(&e) == ERR_OK ? 0 : 1);
    }
    cr_assert_eq(waitpid(child, &status, 0), child);
    if (WIFEXITED(status)) {
        cr_assert_eq(WEXITSTATUS(status), 0, "it failed on its own");
        return false;
    }
    cr_assert(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
    return true;
}

static const char *const FILES[] = {"s/plan.yaml", "s/calibration.json"};
static const char *const SOURCES[] = {"p.yaml", "c.json"};

/* The files under their own names; ino 0: not there. */
static void look(struct stat seen[2])
{
    for (size_t i = 0; i < 2; i++) {
        if (stat(scratch_path(FILES[i]), &seen[i]) != 0)
            seen[i].st_ino = 0;
    }
}

/* What was there is the same file, not written since. */
static void expect_untouched(const struct stat before[2], const char *when)
{
    struct stat after[2];
    look(after);
    for (size_t i = 0; i < 2; i++) {
        if (before[i].st_ino == 0)
            continue;
        cr_expect(after[i].st_ino == before[i].st_ino &&
                      after[i].st_mtim.tv_sec == before[i].st_mtim.tv_sec &&
                      after[i].st_mtim.tv_nsec == before[i].st_mtim.tv_nsec,
                  "%s: %s was written again", when, FILES[i]);
    }
}

static void expect_whole(const char *when)
{
    static const char *const LIST = "cd '%s' && test \"$(LC_ALL=C ls -A | tr '\\n' ' ')\" = "
                                    "'calibration.json datapackage.json plan.yaml runs '";
    struct series *s;
    struct err e;
    char command[1400];
    for (size_t i = 0; i < 2; i++) {
        char *have = scratch_read(FILES[i]), *want = scratch_read(SOURCES[i]);
        cr_expect(have != NULL && strcmp(have, want) == 0, "%s: %s is not what it should be", when, FILES[i]);
        free(have);
        free(want);
    }
    snprintf(command, sizeof command, LIST, folder);
    cr_expect_eq(system(command), 0, "%s: something is missing or left over", when);
    cr_assert_eq(series_open(folder, &s, &e), ERR_OK, "%s: %s", when, e.text);
    cr_expect_eq(s->run_count, 0);
    series_free(s);
}

/* As a user does it: the same command again, or once the series is there, resumed. */
static void go_on(const char *when)
{
    struct stat before[2];
    struct series_progress progress;
    struct err e = {0};
    bool goes_on = false, whole = access(scratch_path("s/" DESCRIPTOR_NAME), F_OK) == 0;
    look(before);
    if (whole) {
        cr_expect_eq(series_may_create(folder, plan_path, calibration_path, &goes_on, &e), ERR_USAGE);
        cr_assert_eq(series_recover(folder, &plan, NULL, NULL, &progress, &e), ERR_OK, "%s: %s", when,
                     e.text);
        cr_expect_eq(progress.next_number, 1);
    } else {
        cr_assert_eq(series_may_create(folder, plan_path, calibration_path, &goes_on, &e), ERR_OK, "%s: %s",
                     when, e.text);
        cr_assert_eq(create(&e), ERR_OK, "%s: %s", when, e.text);
    }
    expect_untouched(before, when);
    expect_whole(when);
}

static void start_over(void)
{
    char command[1100];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    cr_assert_eq(system(command), 0);
}

Test(series_create, killed_before_each_of_its_calls_it_goes_on)
{
    int number = 1;
    for (; make_and_die(number); number++) {
        char when[60];
        snprintf(when, sizeof when, "killed at call %d", number);
        go_on(when);
        start_over();
    }
    /* Two folders, three files, each with its own five calls and more. */
    cr_expect_gt(number, 20, "%d", number);
}

Test(series_create, killed_again_while_it_goes_on_it_goes_on_once_more)
{
    for (int first = 1; make_and_die(first); first += 3) {
        for (int second = 1; access(scratch_path("s/" DESCRIPTOR_NAME), F_OK) != 0; second += 5) {
            char when[80];
            struct stat before[2];
            bool died;
            look(before);
            died = make_and_die(second);
            snprintf(when, sizeof when, "killed at call %d, then at %d", first, second);
            expect_untouched(before, when);
            if (died && access(scratch_path("s/" DESCRIPTOR_NAME), F_OK) != 0)
                go_on(when);
            if (!died)
                break;
            start_over();
            make_and_die(first);
        }
        start_over();
    }
}

/* A temporary file of every length that a kill may leave it with. */
Test(series_create, a_temporary_file_of_any_length_is_taken_away)
{
    static const char *const LEFT[] = {"s/plan.yaml.Ab3dE9.tmp", "s/calibration.json.zzzzzz.tmp",
                                       "s/datapackage.json.000000.tmp"};
    for (size_t i = 0; i < 3; i++) {
        for (size_t length = 0; length < sizeof "title"; length += 2) {
            char when[100];
            cr_assert_eq(mkdir(folder, 0755), 0);
            cr_assert_eq(mkdir(scratch_path("s/runs"), 0755), 0);
            for (size_t j = 0; j < i && j < 2; j++) {
                char *text = scratch_read(SOURCES[j]);
                scratch_write(FILES[j], text);
                free(text);
            }
            scratch_write_bytes(LEFT[i], "title", length);
            snprintf(when, sizeof when, "%s of %zu bytes", LEFT[i], length);
            go_on(when);
            start_over();
        }
    }
}

Test(series_create, what_no_kill_of_this_series_leaves_is_refused_and_kept)
{
    static const struct {
        const char *file, *sentence;
    } CASES[] = {
        {"s/notes.txt", "is not empty"},
        {"s/plan.yaml", "another plan.yaml"},
        {"s/calibration.json", "another calibration.json"},
        {"s/runs/0001.csv.part", "is not empty"},
        {"s/plan.yaml.Ab3d!9.tmp", "is not empty"},
        {"s/plan.yaml.tmp", "is not empty"},
        {"s/notes.yaml.Ab3dE9.tmp", "is not empty"},
        {"s/datapackage.json", "already holds a series"},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct err e;
        bool goes_on = true;
        char *text;
        cr_assert_eq(mkdir(folder, 0755), 0);
        cr_assert_eq(mkdir(scratch_path("s/runs"), 0755), 0);
        scratch_write("s/calibration.json.q1w2e3.tmp", "half");
        scratch_write(CASES[i].file, "mine");
        cr_expect_eq(series_may_create(folder, plan_path, calibration_path, &goes_on, &e), ERR_USAGE);
        cr_expect_not(goes_on);
        cr_expect_eq(create(&e), ERR_USAGE, "%s", CASES[i].file);
        cr_expect_not_null(strstr(e.text, CASES[i].sentence), "%s: %s", CASES[i].file, e.text);
        cr_expect_not_null(strstr(e.text, "nothing was changed"));
        text = scratch_read(CASES[i].file);
        cr_expect_str_eq(text, "mine");
        free(text);
        cr_expect_eq(access(scratch_path("s/calibration.json.q1w2e3.tmp"), F_OK), 0, "nothing was changed");
        start_over();
    }
}

/* A failure takes away what this attempt made, and not what was there. */
Test(series_create, a_failure_leaves_what_an_earlier_attempt_made)
{
    struct stat before[2];
    struct err e;
    char *text = scratch_read("p.yaml");
    cr_assert_eq(mkdir(folder, 0755), 0);
    scratch_write("s/plan.yaml", text);
    free(text);
    look(before);
    strcpy(plan.title, "\xFF"); /* JSON cannot hold it: the descriptor is not made */
    cr_expect_neq(create(&e), ERR_OK);
    expect_untouched(before, "after a failure");
    cr_expect_neq(access(scratch_path("s/runs"), F_OK), 0);
    cr_expect_neq(access(scratch_path("s/calibration.json"), F_OK), 0);
}

Test(series_create, one_at_a_time)
{
    struct err e;
    int other;
    cr_assert_eq(mkdir(folder, 0755), 0);
    other = open(folder, O_RDONLY | O_DIRECTORY);
    cr_assert_eq(flock(other, LOCK_EX), 0);
    cr_expect_eq(create(&e), ERR_USAGE);
    cr_expect_not_null(strstr(e.text, "another capture is writing"), "%s", e.text);
    cr_expect_eq(access(scratch_path("s/runs"), F_OK), -1);
    close(other);
    cr_expect_eq(create(&e), ERR_OK, "%s", e.text);
}
