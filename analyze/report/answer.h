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

/* "stall force" or "slip onset", or the label of an outcome's quantity: foreign text then. */
const char *answer_quantity(const struct session *session, const struct comparison *c);

/* Unit of the difference, for people. */
const char *answer_unit(const struct comparison *c);

/* Where it holds: "10 mm/s", or the setting of an outcome's quantity, which may be "". Returns buffer. */
char *answer_where(const struct comparison *c, char *buffer, size_t size);

/* Whether it is a stall force at the reference speed. */
bool answer_is_headline(const struct session *session, const struct comparison *c);

/* Whether any feeder was pushed into a blocked end under its own conditions, so that there are points. */
bool answer_has_pushes(const struct session *session);

/* What a test is called at the head of its section ("Loaded feed"), what it is about in a sentence (markup),
 * and where its section is in the page ("loaded-feed"). A test that is not known goes by its own name. */
struct answer_test {
    const char *name, *title, *about;
};
#define ANSWER_TESTS 8
extern const struct answer_test ANSWER_TESTS_KNOWN[ANSWER_TESTS];
/* Title of a test by its name; name itself where it is not known. */
const char *answer_test_title(const char *name);
/* Names of the tests with an outcome in the session, in the order of their sections; at most max. Returns how
 * many. The pointers belong to the session or are constant. */
#define ANSWER_TESTS_MAX 24
size_t answer_tests(const struct session *session, const char **names, size_t max);
/* The feeder's outcome of that test, present or not; NULL when it did not go through it. */
const struct outcome *answer_outcome(const struct feeder_result *feeder, const char *test);

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

/* Whether the free length of the feeder's filament may buckle below the greatest force that its runs reached;
 * text then says so in one line. */
bool answer_buckling(const struct session *session, size_t feeder, char *text, size_t size);

/* Comparisons that could be judged, and those that are not comparable. */
void answer_count(const struct session *session, size_t *judged, size_t *not_comparable);

#endif
