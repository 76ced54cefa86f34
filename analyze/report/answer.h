/* The answer in plain words: what a comparison says, what limited a feeder, and which feeder pushes hardest.
 * Page and terminal share these sentences, so that they never disagree. The texts hold feeder names and
 * reasons as they came from the data set: escape them for where they go. */
#ifndef ANALYZE_REPORT_ANSWER_H
#define ANALYZE_REPORT_ANSWER_H

#include "analyze/analysis.h"

#include <stdbool.h>
#include <stddef.h>

/* "a is higher", "b is higher", "no difference shown", "equivalent", "not comparable", with the feeders'
 * names. */
char *answer_verdict(const struct session *session, const struct comparison *c, char *buffer, size_t size);

/* "stall force" or "slip onset". */
const char *answer_quantity(const struct comparison *c);

/* One sentence: "gear-a pushes 29.1 N ± 1.2 N harder than gear-b at 10 mm/s (95 % interval 27.9 N to 30.3 N);
 * both are motor-limited." The caller frees; NULL without memory. */
char *answer_sentence(const struct session *session, const struct comparison *c);

/* One sentence that names the feeder shown to push harder than every other it can be compared with at the
 * reference speed. *flags (may be NULL) is then what its force rests on. The caller frees; NULL when there
 * are fewer than three feeders, no such feeder, or no memory. */
char *answer_hardest(const struct session *session, const struct result_flags **flags);

/* "Note: FLAG; FLAG.", "" without any. ANSWER_NOTE_SIZE bytes hold every note. Returns buffer. */
#define ANSWER_NOTE_SIZE 1100
char *answer_note(const struct result_flags *flags, char *buffer, size_t size);

/* What gave way in the runs of a point: "motor", "motor in 3 of 4 runs, grip in 1". */
char *answer_limited(const struct speed_point *point, char *buffer, size_t size);

/* The feeder's point at its reference speed, NULL without one. */
const struct speed_point *answer_reference_point(const struct feeder_result *feeder);

/* Motor torque at a point: only a lower bound unless the motor gave way in every run, whatever the force
 * itself is. */
struct quantity answer_motor_torque(const struct speed_point *point);

bool answer_at_reference(const struct session *session, double speed_mm_s);

/* What the forces of a point rest on that they had better not, one sentence for each i from 0 on, with the
 * force that it is about where it is not about both. NULL past the last one, else buffer. */
#define ANSWER_FLAG_SIZE 280
char *answer_point_flag(const struct speed_point *point, size_t i, char *buffer, size_t size);

/* Comparisons that could be judged, and those that are not comparable. */
void answer_count(const struct session *session, size_t *judged, size_t *not_comparable);

#endif
