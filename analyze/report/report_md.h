/* report.md: the page for a repository, in Markdown (CommonMark with the tables of the GitHub Flavored
 * Markdown specification), with its figures beside it. It is read off the page that report_html writes, while
 * that is written, so that the two can never say different things; text is escaped anew by md_text. What a
 * page folds away and the table of every run are left out: results.csv and results.json have them. */
#ifndef ANALYZE_REPORT_REPORT_MD_H
#define ANALYZE_REPORT_REPORT_MD_H

#include "analyze/analysis.h"
#include "analyze/report/figure.h"
#include "rig/base/err.h"

#include <stdio.h>

/* Write the page. figures: those already drawn are shown by relative links, figures/NAME.svg; NULL for none.
 * ERR_MEMORY. */
enum err_code report_md_write(const struct session *session, const struct figures *figures, FILE *out,
                              struct err *e);

#endif
