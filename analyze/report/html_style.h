/* The look of report.html: one sheet inside the page, for light and dark screens, narrow ones, and paper. It
 * also defines the colours of the figures within the page (svg_inline.h). Nothing in it fetches anything. */
#ifndef ANALYZE_REPORT_HTML_STYLE_H
#define ANALYZE_REPORT_HTML_STYLE_H

#include <stdio.h>

/* The style element. */
void html_style(FILE *out);

#endif
