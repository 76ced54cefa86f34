/* Comparison of feeders under identical conditions: the gate, then the difference. No I/O. */
#ifndef ANALYZE_COMPARISON_H
#define ANALYZE_COMPARISON_H

#include "analyze/analysis.h"

/* Compare every pair of session->feeders in every quantity and at every speed that both have, and in every
 * quantity of their outcomes that is marked so, into session->comparisons. p values are adjusted over all of
 * them (Holm). ERR_MEMORY only. */
enum err_code comparison_all(struct session *session, struct err *e);

/* Below: shared with the comparison of outcomes. */

/* Add every reason for which c->a and c->b were not measured alike. ignored: CONDITION_COUNT flags of
 * conditions that do not count here; NULL: all count. */
void comparison_gate(const struct session *s, struct comparison *c, const bool *ignored);
/* Printf form; what is past the maximum is dropped, what is too long is cut. */
void comparison_reason(struct comparison *c, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Whether both were measured with one calibration, so that its errors are the same in both. */
bool comparison_same_calibration(const struct session *s, const struct feeder_result *fa,
                                 const struct feeder_result *fb);

#endif
