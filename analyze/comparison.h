/* Comparison of feeders under identical conditions: who may be compared, in which family, and what the p
 * values of all families together show. No I/O. */
#ifndef ANALYZE_COMPARISON_H
#define ANALYZE_COMPARISON_H

#include "analyze/analysis.h"
#include "analyze/comparison_gate.h"
#include "analyze/numerics/studentised_table.h"

/* Two-sided level of the verdicts, and of the 95 % intervals. */
#define COMPARISON_LEVEL 0.05

/* Compare every pair of session->feeders in every quantity and at every speed that both have, and in every
 * quantity of their outcomes that is marked so, into session->comparisons. Feeders that were all measured
 * alike form a family (session->families): their pairs are judged together by the design that was run. p
 * values are adjusted over the pairs of a family by the studentised range, then over families: each has an
 * equal share of the level, and one in which all pairs are shown hands its share on to the others, so that
 * the chance of any false claim in the session stays at the level. What session held of either before is
 * forgotten, not freed. ERR_MEMORY only. */
enum err_code comparison_all(struct session *session, struct err *e);
/* Free all comparisons and families of a session, which then has none. */
void comparison_forget(struct session *session);

/* The uncertainty budget of a difference, worked out again: it would take far more room than all the rest of
 * a comparison. Empty where there is none. */
void comparison_budget(const struct session *session, const struct comparison *c, struct budget *budget);

/* Whether both were measured with one calibration, so that its errors are the same in both. */
bool comparison_same_calibration(const struct session *s, const struct feeder_result *fa,
                                 const struct feeder_result *fb);

/* The smallest difference that matters to count feeders (indices into session.feeders): what the caller of
 * the session said, else the strictest of their plans; NAN where nobody stated one. */
double comparison_matters(const struct session *s, const char *quantity, const size_t *feeders, size_t count);

/* The first quantity that the caller of the session (plans false), or a plan (true), gave a difference that
 * matters of, and that no two feeders are compared in: a slip of the pen, or another test. NULL when there is
 * none. */
const char *comparison_idle_matter(const struct session *s, bool plans);

/* Below: what asks a question of several feeders. */

/* One quantity, and the feeders that have it. */
struct comparison_question {
    char quantity[40], test[24], setting[48], unit[16]; /* as in struct comparison */
    double speed_mm_s;
    const size_t *feeders; /* indices into session.feeders, rising */
    size_t count;
    bool onset; /* of pushes: the slip onset, else the stall force */
};

/* The comparison of feeders[i] and feeders[j] of a question, i < j. Valid until the next one is added. */
struct comparison *comparison_of(struct session *s, const struct comparison_question *q, size_t first,
                                 size_t i, size_t j);

/* Add all pairs of a question to s->comparisons, gated (ignored as in comparison_gate, for each pair: NULL or
 * a function that fills it). *first: index of the first pair. ERR_MEMORY. */
typedef void comparison_ignore(const struct session *s, const struct comparison *c, bool *ignored);
enum err_code comparison_add_pairs(struct session *s, const struct comparison_question *q,
                                   comparison_ignore *ignore, size_t *first, struct err *e);
/* Form families of the pairs without a reason against them and judge each: judge fills the comparisons of the
 * members (indices into q->feeders, rising) and family->value[], ->designed and ->design; it gives pairs that
 * cannot be judged a reason. ERR_MEMORY. */
typedef enum err_code comparison_judge(struct session *s, const struct comparison_question *q, size_t first,
                                       const size_t *members, size_t count, struct comparison_family *family,
                                       struct err *e);
enum err_code comparison_form_families(struct session *s, const struct comparison_question *q, size_t first,
                                       comparison_judge *judge, struct err *e);

/* p value of a pair among the pairs of a family of count members: studentised range; t where they are two.
 * tables: of the session, at 5 %; NULL: none, which takes longer. */
double comparison_family_p(struct studentised_tables *tables, double difference, double standard_error,
                           double degrees_of_freedom, size_t count);
/* Half width of the 95 % interval of such a pair, all pairs together, in standard errors. */
double comparison_family_factor(struct studentised_tables *tables, double degrees_of_freedom, size_t count);

#endif
