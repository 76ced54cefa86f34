/* What benches are found to be, for people and for programs. */
#ifndef ANALYZE_REPORT_BENCHES_SHOW_H
#define ANALYZE_REPORT_BENCHES_SHOW_H

#include "analyze/benches.h"

#include <stdio.h>

/* simulated: any of the series is. */
void benches_text_write(const struct benches *benches, bool simulated, FILE *out);
/* ERR_MEMORY, ERR_SYSTEM. */
enum err_code benches_json_write(const struct benches *benches, bool simulated, FILE *out, struct err *e);

#endif
