/* Foreign text inside Markdown (CommonMark 0.31 with the tables, strikethrough and autolinks of the GitHub
 * Flavored Markdown specification 0.29): whatever it holds, a renderer shows it letter by letter and makes
 * nothing of it, no element, link, emphasis, code, heading, list or cell. Pure writing, one line at a time;
 * knows nothing of what a page looks like. */
#ifndef ANALYZE_REPORT_MD_TEXT_H
#define ANALYZE_REPORT_MD_TEXT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/* A line of text in the making: a paragraph, a heading, an item or a cell. It may come in pieces; what is
 * escaped depends on what came before. */
struct md_text {
    FILE *out; /* of the caller */
    enum { MD_TEXT_START, MD_TEXT_NUMBER, MD_TEXT_INSIDE } at;
    bool any;     /* something was written */
    bool blank;   /* white space that is only written once something follows it */
    char tail[7]; /* the last letters written, small, newest last: enough for "mailto" */
};

/* begins: it stands where a line or an item begins, so that its first characters may be taken for the mark of
 * a block; not so in a cell, a heading or a picture's description. */
void md_text_begin(struct md_text *t, FILE *out, bool begins);

/* Text in UTF-8, length bytes. White space at either end of the line is dropped, a run of it inside is one
 * space, as in HTML; any other control character becomes a question mark. */
void md_text_put(struct md_text *t, const char *text, size_t length);

/* Markup as it is, which the caller answers for; white space before it is kept. */
void md_text_raw(struct md_text *t, const char *markup);

/* Text as a code span, without looking at what it holds; nothing for an empty one. Not for cells of a table,
 * where no code span can hold every text. */
void md_text_code(struct md_text *t, const char *text, size_t length);

/* Text of several lines as a block of code, fenced by more backticks than any run in it; ends with an empty
 * line. */
void md_text_fenced(FILE *out, const char *text, size_t length);

#endif
