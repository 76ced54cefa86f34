/* What tests of a report ask of its pages. */
#ifndef TESTS_ANALYZE_REPORT_PAGE_CHECKS_H
#define TESTS_ANALYZE_REPORT_PAGE_CHECKS_H

#include "analyze/analysis.h"
#include "analyze/report/figure.h"

#include <stddef.h>

enum output { OUTPUT_JSON, OUTPUT_CSV, OUTPUT_HTML, OUTPUT_TEXT };

/* One output of a session in memory. The caller frees. */
char *page_output(const struct session *s, enum output what);
/* How often word stands in text. */
size_t page_count(const char *text, const char *word);
/* Script and data of a figure in memory; freed with figure_unmake. */
enum err_code page_figure(const struct session *s, struct figure *f, struct err *e);
/* All figures of a session, made and not drawn; freed with figures_free. */
enum err_code page_figures(const struct session *s, struct figures *figures, struct err *e);
/* Fail the test unless the page is well-formed XML, with entities that are known, and quoted attributes. */
void page_expect_well_formed(const char *page);
/* Fail the test unless every id is there once, and every reference has its id. Returns how many ids. */
size_t page_expect_unique_ids(const char *page);

#endif
