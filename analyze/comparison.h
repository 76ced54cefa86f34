/* Comparison of feeders under identical conditions: the gate, then the difference. No I/O. */
#ifndef ANALYZE_COMPARISON_H
#define ANALYZE_COMPARISON_H

#include "analyze/analysis.h"

/* Compare every pair of session->feeders in every quantity and at every speed that both have, into
 * session->comparisons. p values are adjusted over all of them (Holm). ERR_MEMORY only. */
enum err_code comparison_all(struct session *session, struct err *e);

#endif
