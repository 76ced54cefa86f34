/* A plan to start from: every key that matters with its unit and what it is for, and values that are invented
 * and marked as such (plan_example.h). */
#ifndef CAPTURE_PLAN_NEW_H
#define CAPTURE_PLAN_NEW_H

#include "datasets/format/plan.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct plan_new {
    bool tests[PLAN_TEST_KINDS]; /* those wanted, at least one */
    uint64_t seed;               /* of the order of runs; up to INT64_MAX, as plans hold it */
};

/* Take the tests named in a list with commas between them, "blocked-push,reversal", or all eight for "all".
 * ERR_USAGE names a word that is no test, and one that is there twice. */
enum err_code plan_new_read_tests(const char *list, struct plan_new *request, struct err *e);

/* The plan as YAML, no line longer than 80 characters. What could not be written shows in out. */
void plan_new_write(const struct plan_new *request, FILE *out);

/* The same into a new file. ERR_USAGE when there is something at path already, which stays as it is;
 * ERR_SYSTEM when it cannot be written, and then nothing is left behind. */
enum err_code plan_new_write_file(const struct plan_new *request, const char *path, struct err *e);

#endif
