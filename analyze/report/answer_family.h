/* What several feeders compared at once come to, in plain words: ranking, design, what was accepted, and what
 * more repeats would bring. Page and terminal share these sentences. The texts hold feeder names and
 * conditions as they came from the data set: escape them for where they go. */
#ifndef ANALYZE_REPORT_ANSWER_FAMILY_H
#define ANALYZE_REPORT_ANSWER_FAMILY_H

#include "analyze/analysis.h"

#include <stdbool.h>
#include <stddef.h>

#define ANSWER_SETTLE_SIZE 400
/* For a pair of which no difference is shown: the difference that as many repeats find in 80 % of such
 * series, and the repeats that would settle the one that matters, or the one seen. "" where nothing can be
 * said. Returns buffer. */
char *answer_settle(const struct comparison *c, char *buffer, size_t size);

/* Why no difference is shown although the pair's intervals leave out 0: the quantity is one of several that
 * were asked. "" where that is not so. Returns buffer. */
char *answer_among(const struct session *session, const struct comparison *c, char *buffer, size_t size);

/* "Accepted: FIELD ...; ...", the conditions that differ and were let pass; "" without any. ANSWER_NOTE_SIZE
 * bytes are not enough for all: what is past the size is cut at a whole entry. Returns buffer. */
#define ANSWER_ACCEPTED_SIZE 1700
char *answer_accepted(const struct comparison *c, char *buffer, size_t size);

/* What all pairs of a family had accepted, each text once; at most max. Returns how many. The pointers belong
 * to the session. */
#define ANSWER_FAMILY_ACCEPTED_MAX 32
size_t answer_family_accepted(const struct session *session, size_t family, const char **texts, size_t max);

/* "Tukey-Kramer within blocks: 24 values in 8 blocks. Blocks differ (p = 0.003). ..." Every check of the
 * design with its p value. The caller frees; NULL without memory. */
char *answer_design(const struct comparison_family *f);

/* Whether it has members to rank and is about the stall force at the reference speed. */
bool answer_family_is_headline(const struct session *session, const struct comparison_family *f);

/* "stall force at 10 mm/s", "creep coefficient, at 40 N (loaded feed)". The label is foreign text. Returns
 * buffer. */
#define ANSWER_ABOUT_SIZE 260
char *answer_family_about(const struct session *session, const struct comparison_family *f, char *buffer,
                          size_t size);

/* The i-th member's value with its unit, to the digits that differences within the family are known to.
 * Returns buffer. */
char *answer_family_value(const struct session *session, size_t family, size_t i, char *buffer, size_t size);

/* The i-th member's runs or values, 0 where not known. */
size_t answer_family_values(const struct comparison_family *f, size_t i);

/* The interval of a difference together with all pairs of its family, as a quantity that has the difference's
 * value. Absent where there is none or it is the pair's own. */
struct quantity answer_simultaneous(const struct session *session, const struct comparison *c);

/* "Resampled runs: 27.9 N to 30.3 N", the percentile bootstrap of a difference; "" where there is none.
 * Returns buffer.
 */
char *answer_resampled(const struct comparison *c, char *buffer, size_t size);
/* Whether it rests on so few runs or blocks that it is too narrow to mean much. */
bool answer_resampled_few(const struct comparison *c);

/* The flags of a difference, as those of a mean are. */
struct result_flags answer_flags(const struct comparison *c);

#endif
