/* Reads the markup that this program itself writes, piece by piece as it is written: elements and text, one
 * after another. It is no reader for pages of others: it knows elements that are closed, attributes in double
 * quotes, character references by number and the five named ones of XML, which is all that report_html
 * writes. */
#ifndef ANALYZE_REPORT_MARKUP_READ_H
#define ANALYZE_REPORT_MARKUP_READ_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

/* Told in the order of the page. An element that closes itself is opened and closed. attributes is what
 * stands between name and end of the tag, for markup_attribute; it does not outlive the call, nor does text,
 * which is decoded and may come in several pieces. */
struct markup_events {
    void (*open)(void *context, const char *name, const char *attributes);
    void (*close)(void *context, const char *name);
    void (*text)(void *context, const char *text, size_t length);
    void *context;
};

struct markup_reader;
/* NULL without memory. The caller frees with markup_reader_free (NULL is fine). */
struct markup_reader *markup_reader_new(const struct markup_events *events);
void markup_reader_free(struct markup_reader *reader);

/* The next bytes. False without memory. */
bool markup_reader_put(struct markup_reader *reader, const char *bytes, size_t length);
/* There are no more. ERR_SYSTEM when elements are left open or were closed by another name: our own fault. */
enum err_code markup_reader_end(struct markup_reader *reader, struct err *e);

/* Value of an attribute, decoded, "" where there is none; the caller frees. NULL without memory. */
char *markup_attribute(const char *attributes, const char *name);

#endif
