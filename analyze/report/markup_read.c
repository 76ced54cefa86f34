#include "analyze/report/markup_read.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DEPTH_MAX 64 /* a page nests about ten deep */
#define NAME_SIZE 16

struct markup_reader {
    struct markup_events events;
    char *piece; /* the text or the tag that is being read */
    size_t length, size;
    bool in_tag, in_quotes;
    char open[DEPTH_MAX][NAME_SIZE];
    size_t depth;
    bool wrong; /* not what this program writes */
};

struct markup_reader *markup_reader_new(const struct markup_events *events)
{
    struct markup_reader *r = calloc(1, sizeof *r);
    if (r != NULL)
        r->events = *events;
    return r;
}

void markup_reader_free(struct markup_reader *r)
{
    if (r == NULL)
        return;
    free(r->piece);
    free(r);
}

static bool keep(struct markup_reader *r, char c)
{
    if (r->length + 1 >= r->size) {
        size_t size = r->size == 0 ? 4096 : 2 * r->size;
        char *larger = realloc(r->piece, size);
        if (larger == NULL)
            return false;
        r->piece = larger;
        r->size = size;
    }
    r->piece[r->length++] = c;
    r->piece[r->length] = 0;
    return true;
}

static size_t put_utf8(unsigned long code, char *to)
{
    if (code < 0x80) {
        to[0] = (char)code;
        return 1;
    }
    if (code < 0x800) {
        to[0] = (char)(0xC0 | code >> 6);
        to[1] = (char)(0x80 | (code & 0x3F));
        return 2;
    }
    if (code < 0x10000) {
        to[0] = (char)(0xE0 | code >> 12);
        to[1] = (char)(0x80 | (code >> 6 & 0x3F));
        to[2] = (char)(0x80 | (code & 0x3F));
        return 3;
    }
    to[0] = (char)(0xF0 | code >> 18);
    to[1] = (char)(0x80 | (code >> 12 & 0x3F));
    to[2] = (char)(0x80 | (code >> 6 & 0x3F));
    to[3] = (char)(0x80 | (code & 0x3F));
    return 4;
}

/* The character that a reference stands for; 0 where it is none. *end receives the byte behind it. */
static unsigned long reference(const char *text, const char **end)
{
    static const struct {
        const char *name;
        unsigned long code;
    } NAMED[] = {{"&amp;", '&'}, {"&lt;", '<'}, {"&gt;", '>'}, {"&quot;", '"'}, {"&apos;", '\''}};
    char *after = NULL;
    unsigned long code = 0;
    for (size_t i = 0; i < sizeof NAMED / sizeof NAMED[0]; i++) {
        if (strncmp(text, NAMED[i].name, strlen(NAMED[i].name)) == 0) {
            *end = text + strlen(NAMED[i].name);
            return NAMED[i].code;
        }
    }
    if (text[1] == '#' && text[2] == 'x')
        code = strtoul(text + 3, &after, 16);
    else if (text[1] == '#')
        code = strtoul(text + 2, &after, 10);
    if (after == NULL || *after != ';' || code < 0x20 || code > 0x10FFFF)
        return 0;
    *end = after + 1;
    return code;
}

/* In place: a character is never longer than the reference to it. Returns the new length. */
static size_t decode(char *text)
{
    char *to = text;
    for (const char *p = text; *p != 0;) {
        const char *end;
        unsigned long code = *p == '&' ? reference(p, &end) : 0;
        if (code == 0) {
            *to++ = *p++;
            continue;
        }
        to += put_utf8(code, to);
        p = end;
    }
    *to = 0;
    return (size_t)(to - text);
}

static void tell_text(struct markup_reader *r)
{
    if (r->length > 0)
        r->events.text(r->events.context, r->piece, decode(r->piece));
    r->length = 0;
}

static void close_element(struct markup_reader *r, const char *name)
{
    if (r->depth == 0 || strcmp(r->open[r->depth - 1], name) != 0) {
        r->wrong = true;
        return;
    }
    r->depth--;
    r->events.close(r->events.context, name);
}

/* Elements that have no end tag; HTML Living Standard, 13.1.2, without those that it no longer has. */
static bool is_void(const char *name)
{
    static const char *const names[] = {"area",  "base", "br",   "col",    "embed", "hr", "img",
                                        "input", "link", "meta", "source", "track", "wbr"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strcmp(name, names[i]) == 0)
            return true;
    }
    return false;
}

static void tell_tag(struct markup_reader *r)
{
    char name[NAME_SIZE];
    const char *tag = r->piece;
    bool ends = r->length > 0 && tag[0] == '/', whole = r->length > 0 && tag[r->length - 1] == '/';
    size_t length;
    if (r->length == 0 || tag[0] == '!' || tag[0] == '?')
        return;
    tag += ends;
    length = strcspn(tag, " \n/");
    if (length == 0 || length >= sizeof name || r->depth == DEPTH_MAX) {
        r->wrong = true;
        return;
    }
    memcpy(name, tag, length);
    name[length] = 0;
    if (ends) {
        close_element(r, name);
        return;
    }
    strcpy(r->open[r->depth++], name);
    r->events.open(r->events.context, name, tag + length);
    if (whole || is_void(name))
        close_element(r, name);
}

bool markup_reader_put(struct markup_reader *r, const char *bytes, size_t length)
{
    for (size_t i = 0; i < length && !r->wrong; i++) {
        char c = bytes[i];
        if (!r->in_tag && c == '<') {
            tell_text(r);
            r->in_tag = true;
        } else if (r->in_tag && c == '>' && !r->in_quotes) {
            if (!keep(r, ' '))
                return false;
            r->piece[--r->length] = 0;
            tell_tag(r);
            r->length = 0;
            r->in_tag = false;
        } else {
            r->in_quotes ^= r->in_tag && c == '"';
            if (!keep(r, c))
                return false;
        }
    }
    return true;
}

enum err_code markup_reader_end(struct markup_reader *r, struct err *e)
{
    tell_text(r);
    if (r->wrong || r->in_tag || r->depth > 0)
        return err_set(e, ERR_SYSTEM, "our own page is not well-formed%s%.15s",
                       r->depth > 0 ? " inside " : "", r->depth > 0 ? r->open[r->depth - 1] : "");
    return ERR_OK;
}

char *markup_attribute(const char *attributes, const char *name)
{
    size_t length = strlen(name);
    for (const char *p = attributes; (p = strstr(p, name)) != NULL; p += length) {
        if (p == attributes || strchr(" \n", p[-1]) == NULL || strncmp(p + length, "=\"", 2) != 0)
            continue;
        char *value = strndup(p + length + 2, strcspn(p + length + 2, "\""));
        if (value != NULL)
            decode(value);
        return value;
    }
    return strdup("");
}
