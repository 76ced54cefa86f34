/* Text in lines of a given width, for whoever is at the rig. UTF-8; each character counts as one column. */
#ifndef CAPTURE_TEXT_FILL_H
#define CAPTURE_TEXT_FILL_H

#include <stddef.h>
#include <stdio.h>

/* Writes lead as it stands, and behind it text, broken between words so that no line has more than columns
 * characters (0: it is not broken). Every line but the first is set in by rest blanks; a word that finds no
 * room on a line of its own is cut. No line break behind the last line. */
void text_fill(FILE *out, const char *lead, int rest, int columns, const char *text);

/* Bytes of the longest beginning of text that columns characters hold (0: all of it). */
size_t text_fill_fitting(const char *text, int columns);

#endif
