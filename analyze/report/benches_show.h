/* What benches are found to be, for people and for programs. */
#ifndef ANALYZE_REPORT_BENCHES_SHOW_H
#define ANALYZE_REPORT_BENCHES_SHOW_H

#include "analyze/benches.h"

#include <stdio.h>

/* simulated: any of the series is. */
void benches_text_write(const struct benches *benches, bool simulated, FILE *out);
/* ERR_MEMORY, ERR_SYSTEM. */
enum err_code benches_json_write(const struct benches *benches, bool simulated, FILE *out, struct err *e);

/* The five tests for outliers, in the order of the standard, by name. */
#define BENCHES_CHECKS 5
extern const char *const BENCHES_CHECK_NAMES[BENCHES_CHECKS]; /* "Cochran" ... */
const struct bench_check *benches_check(const struct bench_consistency *c, size_t i);

#endif
