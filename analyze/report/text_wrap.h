/* Sentences in lines that are no wider than a terminal, broken at spaces. A number stays with its unit, what
 * follows ± with it, and a difference such as "a - b" whole. A word that is wider than a line is broken where
 * the line ends: nothing is ever left out. Text is UTF-8 that was cleaned. */
#ifndef ANALYZE_REPORT_TEXT_WRAP_H
#define ANALYZE_REPORT_TEXT_WRAP_H

#include <stddef.h>
#include <stdio.h>

/* The next line of text (length bytes, no line break among them), at most columns wide: returns its bytes,
 * without the space at which it was broken, and puts where the next line begins into next (length: there is
 * none). */
size_t text_wrap_line(const char *text, size_t length, int columns, size_t *next);

/* Columns of the widest part of text that is broken nowhere unless it has to. */
int text_wrap_widest_part(const char *text);

/* A stream whose lines are wrapped on their way to out: those that are indented, and notes that begin
 * with "* ", are continued two columns further in, others where they began. width 0: they pass as they are.
 * Its lines are held until they are whole; fclose writes the last one and leaves out open. NULL without
 * memory. */
FILE *text_wrap_open(FILE *out, int width);

#endif
