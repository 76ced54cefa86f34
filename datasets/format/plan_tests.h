/* The `tests` of plan.yaml, read into a plan whose limits, blocks and feeders are known already. Only plan.c
 * calls it. */
#ifndef DATASETS_FORMAT_PLAN_TESTS_H
#define DATASETS_FORMAT_PLAN_TESTS_H

#include "datasets/format/plan.h"
#include "datasets/format/yaml_strict.h"

/* Fill p->tests from the key `tests` of root. ERR_FILE with line and column at what is not known, belongs to
 * another kind of test, or could not be carried out. */
enum err_code plan_tests_read(const struct yaml_node *root, struct plan *p, struct err *e);

#endif
