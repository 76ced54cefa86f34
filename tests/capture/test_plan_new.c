/* A plan to start from: it reads as a plan for every kind of test, and nobody can run it by mistake. */
#include "capture/plan_example.h"
#include "capture/plan_new.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

TestSuite(plan_new, .init = scratch_begin, .fini = scratch_end);

/* The plan as a text; the caller frees it. */
static char *written(const struct plan_new *request)
{
    char *text = NULL;
    size_t length;
    FILE *out = open_memstream(&text, &length);
    plan_new_write(request, out);
    fclose(out);
    return text;
}

static struct plan_new asked(const char *list)
{
    struct plan_new request = {.seed = 2385};
    struct err e;
    cr_assert_eq(plan_new_read_tests(list, &request, &e), ERR_OK, "%s", e.text);
    return request;
}

/* With the word of each mark taken out, as by somebody who has put their own values there. */
static char *edited(const char *text)
{
    char *copy = strdup(text), *at;
    while ((at = strstr(copy, PLAN_EXAMPLE_MARK " ")) != NULL ||
           (at = strstr(copy, PLAN_EXAMPLE_MARK)) != NULL)
        memmove(at + 1, at + strlen(PLAN_EXAMPLE_MARK), strlen(at + strlen(PLAN_EXAMPLE_MARK)) + 1);
    return copy;
}

Test(plan_new, every_kind_of_test_reads_as_a_plan)
{
    for (int kind = 0; kind < PLAN_TEST_KINDS; kind++) {
        struct plan_new request = asked(PLAN_TEST_NAMES[kind]);
        char *text = written(&request);
        struct plan p;
        struct err e;
        cr_assert_eq(plan_read(scratch_write("plan.yaml", text), &p, &e), ERR_OK, "%s: line %d: %s",
                     PLAN_TEST_NAMES[kind], (int)e.line, e.text);
        cr_assert_eq(p.test_count, 1u);
        cr_assert_eq((int)p.tests[0].kind, kind);
        cr_assert_eq(p.seed, 2385u);
        cr_assert_eq(p.feeder_count, 2u);
        cr_assert_not(p.simulated);
        cr_assert_geq(p.blocks, 5);
        free(text);
    }
}

Test(plan_new, all_kinds_in_one_read_as_a_plan)
{
    struct plan_new request = asked("all");
    char *text = written(&request);
    struct plan p;
    struct err e;
    cr_assert_eq(plan_read(scratch_write("plan.yaml", text), &p, &e), ERR_OK, "line %d: %s", (int)e.line,
                 e.text);
    cr_assert_eq(p.test_count, (size_t)PLAN_TEST_KINDS);
    free(text);
}

Test(plan_new, feeders_in_it_are_comparable_and_conditions_fit_its_tests)
{
    struct plan_new request = asked("melt-push,reversal");
    char *text = written(&request);
    struct condition_difference found[CONDITION_COUNT];
    struct plan p;
    struct err e;
    cr_assert_eq(plan_read(scratch_write("plan.yaml", text), &p, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(conditions_compare(&p.feeders[0].conditions, &p.feeders[1].conditions, p.tolerance, found),
                 0u);
    cr_assert(p.feeders[0].conditions.stated[CONDITION_HOT_END]);
    cr_assert(p.feeders[0].conditions.stated[CONDITION_GUIDE_TUBE]);
    free(text);
}

Test(plan_new, no_line_is_wider_than_80_and_all_is_plain_text)
{
    struct plan_new request = asked("all");
    request.seed = INT64_MAX;
    char *text = written(&request);
    for (const char *line = text; *line != 0; line += strcspn(line, "\n") + 1) {
        size_t length = strcspn(line, "\n");
        cr_assert_leq(length, 80u, "%zu: %.*s", length, (int)length, line);
        for (size_t i = 0; i < length; i++)
            cr_assert(line[i] >= ' ' && line[i] <= '~', "%.*s", (int)length, line);
    }
    free(text);
}

Test(plan_new, what_must_be_edited_is_marked)
{
    static const char *const MUST[] = {"title: ",
                                       "bench: ",
                                       "operator: ",
                                       "calibration: ",
                                       "force_n: ",
                                       "travel_mm: ",
                                       "filament_lot: ",
                                       "nip_preload_n: ",
                                       "free_length_mm: ",
                                       "stall_force_n: ",
                                       "- name: feeder-a",
                                       "- name: feeder-b",
                                       "drive_diameter_mm: ",
                                       "full_steps_per_rev: ",
                                       "microsteps: "};
    struct plan_new request = asked("blocked-push");
    char *text = written(&request);
    struct plan_example example;
    plan_example_find(text, &example);
    for (size_t i = 0; i < sizeof MUST / sizeof MUST[0]; i++) {
        bool found = false;
        for (size_t k = 0; k < example.count; k++)
            found = found || strncmp(example.lines[k].text, MUST[i], strlen(MUST[i])) == 0;
        cr_assert(found, "%s", MUST[i]);
    }
    free(text);
}

Test(plan_new, runs_are_refused_until_every_mark_is_gone)
{
    struct plan_new request = asked("endurance");
    char *text = written(&request), *last, *clean = edited(text);
    struct err e;
    cr_assert_eq(plan_example_refuse(scratch_write("plan.yaml", text), &e), ERR_FILE);
    cr_assert(strstr(e.text, "still the example: 'title: Two feeders compared'") != NULL, "%s", e.text);
    cr_assert_gt(e.line, 1);
    cr_assert_eq(plan_example_refuse(scratch_write("plan.yaml", clean), &e), ERR_OK);
    last = malloc(strlen(clean) + 40);
    sprintf(last, "%s" PLAN_EXAMPLE_MARK, clean); /* one, at the very end of the file */
    cr_assert_eq(plan_example_refuse(scratch_write("plan.yaml", last), &e), ERR_FILE);
    cr_assert(strstr(e.text, "(1 such line)") != NULL, "%s", e.text);
    free(last);
    free(clean);
    free(text);
}

Test(plan_new, the_mark_is_a_word_in_a_comment)
{
    static const struct {
        const char *text;
        size_t count;
    } CASES[] = {
        {"a: 1 # EXAMPLE N", 1},
        {"a: 1 # EXAMPLE", 1},
        {"a: 1 # EXAMPLE\nb: 2\nc: 3 # EXAMPLE\n", 2},
        {"a: 1 # EXAMPLES are elsewhere\n", 0},
        {"title: EXAMPLE\n", 0},
        {"# lines marked EXAMPLE are to be edited\n", 0},
        {"a: 1 # example\n", 0},
        {"", 0},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct plan_example example;
        plan_example_find(CASES[i].text, &example);
        cr_assert_eq(example.count, CASES[i].count, "%s", CASES[i].text);
    }
}

Test(plan_new, hostile_and_long_lines_are_cut_and_cleaned)
{
    char text[20000] = "";
    struct plan_example example;
    for (int i = 0; i < 300; i++)
        strcat(text, i == 4 ? "a\033[31m\xff: x # EXAMPLE\n"
                            : "  abcdefghijklmnopqrstuvwxyzabcdefghijklmn  # EXAMPLE\n");
    plan_example_find(text, &example);
    cr_assert_eq(example.count, 300u);
    cr_assert_str_eq(example.lines[4].text, "a?[31m?: x");
    cr_assert_str_eq(example.lines[0].text, "abcdefghijklmnopqrstuvwxyzabcdefghijklmn");
    cr_assert_eq(example.lines[PLAN_EXAMPLE_LINES_MAX - 1].number, (size_t)PLAN_EXAMPLE_LINES_MAX);
}

Test(plan_new, words_that_are_no_test_are_named)
{
    static const struct {
        const char *list, *part;
    } CASES[] = {
        {"blocked", "'blocked' is no test"},    {"", "'' is no test"},
        {"free-run,", "'' is no test"},         {"free-run,,reversal", "'' is no test"},
        {"free-run,pull", "'pull' is no test"}, {"free-run,reversal,free-run", "free-run is there twice"},
        {"all,free-run", "'all' is no test"},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct plan_new request = {0};
        struct err e;
        cr_assert_eq(plan_new_read_tests(CASES[i].list, &request, &e), ERR_USAGE, "%s", CASES[i].list);
        cr_assert(strstr(e.text, CASES[i].part) != NULL, "%s: %s", CASES[i].list, e.text);
    }
}

Test(plan_new, what_is_there_stays)
{
    struct plan_new request = asked("free-run");
    const char *path = scratch_write("plan.yaml", "mine\n");
    struct err e;
    char *kept;
    cr_assert_eq(plan_new_write_file(&request, path, &e), ERR_USAGE);
    cr_assert(strstr(e.text, "is there already") != NULL, "%s", e.text);
    kept = scratch_read("plan.yaml");
    cr_assert_str_eq(kept, "mine\n");
    free(kept);
    cr_assert_eq(symlink("nowhere", scratch_path("link.yaml")), 0);
    cr_assert_eq(plan_new_write_file(&request, scratch_path("link.yaml"), &e), ERR_USAGE);
    cr_assert_neq(access(scratch_path("nowhere"), F_OK), 0);
}

Test(plan_new, a_new_file_holds_the_plan_and_a_bad_place_is_named)
{
    struct plan_new request = asked("loaded-feed");
    char *text = written(&request), *read;
    struct err e;
    cr_assert_eq(plan_new_write_file(&request, scratch_path("new.yaml"), &e), ERR_OK);
    read = scratch_read("new.yaml");
    cr_assert_str_eq(read, text);
    free(read);
    free(text);
    cr_assert_eq(plan_new_write_file(&request, scratch_path("no/such/folder.yaml"), &e), ERR_SYSTEM);
    cr_assert(strstr(e.text, "cannot be written") != NULL, "%s", e.text);
}
