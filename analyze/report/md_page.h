/* Turns a page of elements into Markdown: paragraphs, headings, lists, tables, code, pictures, and links
 * within the page. Emphasis is left out: where it begins and ends depends on the letters beside it, which are
 * foreign text. Knows nothing of what the page is about. */
#ifndef ANALYZE_REPORT_MD_PAGE_H
#define ANALYZE_REPORT_MD_PAGE_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct md_page;
/* NULL without memory. The caller frees with md_page_free (NULL is fine). After the heading of the section
 * whose id is left_out stands instead, a paragraph in Markdown; both constant text, or NULL. */
struct md_page *md_page_new(const char *left_out, const char *instead);
void md_page_free(struct md_page *page);

/* The next bytes of the page's markup. False without memory. */
bool md_page_put(struct md_page *page, const char *bytes, size_t length);

/* There are no more: write the page. ERR_MEMORY, or ERR_SYSTEM where the markup was not well-formed. */
enum err_code md_page_end(struct md_page *page, FILE *out, struct err *e);

#endif
