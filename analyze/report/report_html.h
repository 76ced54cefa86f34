/* report.html: one file that holds the answer, the figures, every run, the method and where all of it came
 * from. No script, nothing fetched, and no text from the data set that is not escaped. The markup is also
 * well-formed XML. */
#ifndef ANALYZE_REPORT_REPORT_HTML_H
#define ANALYZE_REPORT_REPORT_HTML_H

#include "analyze/analysis.h"
#include "analyze/report/figure.h"
#include "rig/base/err.h"

#include <stdio.h>

/* Write the page. figures: those already drawn are put inside, the others are left out with a word on why;
 * NULL for none. */
enum err_code report_html_write(const struct session *session, const struct figures *figures, FILE *out,
                                struct err *e);

/* Below: sections of the page, each in the file named after its question. */

/* html_answer.c: what came out, in plain words. */
enum err_code html_answer(const struct session *session, FILE *out, struct err *e);
enum err_code html_comparisons(const struct session *session, FILE *out, struct err *e);

/* html_ranking.c: feeders that were compared at once, the highest first, with their groups and the checks of
 * the design. ERR_MEMORY. */
enum err_code html_ranking(const struct session *session, FILE *out, struct err *e);

/* html_outcomes.c: what each kind of test came to. Headlines for the first screen, then a section for each
 * test, whose id html_test_id gives ("test-loaded-feed"). */
void html_headlines(const struct session *session, FILE *out);
enum err_code html_outcomes(const struct session *session, const struct figures *figures, FILE *out,
                            struct err *e);
void html_test_id(const char *test, char *buffer, size_t size);

/* html_tables.c: what was tested under which conditions, and what each speed gave. */
enum err_code html_feeders(const struct session *session, FILE *out, struct err *e);
void html_speeds(const struct session *session, FILE *out);

/* html_runs.c: every run, and how it was told what gave way. */
void html_runs(const struct session *session, FILE *out);
void html_evidence(const struct session *session, FILE *out);
/* Whether any run is a push into a blocked end, of whatever test. */
bool html_any_push_run(const struct session *session);

/* html_budget.c: what every interval at the reference speed is made of, and what of it nobody measured. */
enum err_code html_budgets(const struct session *session, FILE *out, struct err *e);
void html_estimates(const struct session *session, FILE *out);
void html_outcome_budgets(const struct session *session, FILE *out);

/* html_plain.c: the answer for a reader who knows neither the trade nor statistics. */
enum err_code html_plain(const struct session *session, FILE *out, struct err *e);

/* html_method.c: how, how sure. */
void html_method(const struct session *session, FILE *out);
void html_uncertainty(const struct session *session, FILE *out);
void html_cautions(FILE *out);

/* html_repeat.c: the commands that work it out or measure it again. html_folder: a series by as much of its
 * path as tells it from the others, as a word of a shell. */
void html_repeat(const struct session *session, FILE *out);
void html_folder(const struct session *session, size_t series, FILE *out);

/* html_provenance.c: versions, options, packages with their hashes, plans. figures may be NULL. */
void html_provenance(const struct session *session, const struct figures *figures, FILE *out);

/* html_tests.c: items of the list of definitions, one for each kind of test that the session holds. */
void html_test_definitions(const struct session *session, FILE *out);

/* html_figure.c: the i-th figure with its words and its data, read from where it was drawn; nothing when it
 * was not drawn. Of a kind: all of it, in the order in which they were made. */
enum err_code html_figure(const struct figures *figures, size_t i, FILE *out, struct err *e);
enum err_code html_figures_of(const struct figures *figures, enum figure_kind kind, FILE *out, struct err *e);

/* A cell or paragraph piece: escaped text, and a quantity with a dash where it is absent. */
void html_quantity(FILE *out, const struct quantity *q, const char *unit);

/* The same with the coverage factor of its interval on a line of its own. */
void html_quantity_k(FILE *out, const struct quantity *q, const char *unit);

/* What the forces of a point, or a sentence, rest on that they had better not, on lines of their own; nothing
 * where there is nothing to say. */
void html_point_flags(FILE *out, const struct speed_point *point);
void html_note(FILE *out, const struct result_flags *flags);

/* Slip onset of a point; says in how many runs it was found when not in all. */
void html_onset(FILE *out, const struct speed_point *point);

/* Open a table in a box of its own that scrolls sideways, with a caption (markup already escaped, fit for an
 * attribute), and close it again.
 */
void html_table_begin(FILE *out, const char *caption);
void html_table_end(FILE *out);

#endif
