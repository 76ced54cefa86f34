/* Endurance: one push repeated many times on the same gear. How the grip fades with the metres fed. No I/O.
 */
#ifndef ANALYZE_ENDURANCE_H
#define ANALYZE_ENDURANCE_H

#include "analyze/bench_test.h"

/* How far the filament is pressed together at the end of a push, by the feed that its rise took; 0 when there
 * is no such rise. mm. */
double endurance_pressed_mm(const struct push_picture *p);

/* As bench_test_sum_up, for the endurance runs of one feeder. */
enum err_code endurance_sum_up(const struct run_result *const *runs, size_t count,
                               const struct bench_test_context *context, struct outcome *outcome,
                               struct err *e);

#endif
