/* What benches are found to be, for people and for programs. */
#ifndef ANALYZE_REPORT_BENCHES_SHOW_H
#define ANALYZE_REPORT_BENCHES_SHOW_H

#include "analyze/benches.h"

#include <stdio.h>

/* session: where the values come from; NULL: of a table. width: columns that no line is wider than; 0: any.
 * ERR_MEMORY. */
enum err_code benches_text_write(const struct benches *benches, const struct session *session, int width,
                                 FILE *out, struct err *e);
/* ERR_MEMORY, ERR_SYSTEM. */
enum err_code benches_json_write(const struct benches *benches, const struct session *session, FILE *out,
                                 struct err *e);

#endif
