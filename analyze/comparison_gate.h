/* Whether two feeders were measured alike: the conditions of their runs, field by field, with tolerances. No
 * I/O. */
#ifndef ANALYZE_COMPARISON_GATE_H
#define ANALYZE_COMPARISON_GATE_H

#include "analyze/analysis.h"

/* Add every reason for which c->a and c->b were not measured alike to c->reasons, and every difference that
 * session->accept lets pass to c->accepted. Runs of one feeder that differ among themselves count by the two
 * that are furthest apart. Of two plans' tolerances the stricter one holds. ignored: CONDITION_COUNT flags of
 * conditions that do not count here; NULL: all count. */
void comparison_gate(const struct session *s, struct comparison *c, const bool *ignored);
/* Bytes of one reason, or of one condition that was accepted. */
#define COMPARISON_TEXT_SIZE 256
/* Printf form; what is past the maximum is dropped, what is too long is cut. */
void comparison_reason(struct comparison *c, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Let go of the texts of one comparison, not of the struct. */
void comparison_free(struct comparison *c);

#endif
