#include "analyze/report/svg_inline.h"

#include "analyze/report/text_format.h"

#include <ctype.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define DEPTH_MAX    64 /* gnuplot nests about six deep */
#define PASSED_BYTES (64 * 1024)

struct span {
    const char *start;
    size_t length;
};

/* Colours that the figures use, and the custom property of the page that stands for each: the page has one
 * set of values for light, one for dark and one for paper. */
static const struct {
    unsigned rgb;
    const char *property;
} COLOURS[] = {{0xFFFFFF, "paper"}, {0x000000, "ink"},   {0x444444, "axis"},   {0x666666, "mark"},
               {0x888888, "zero"},  {0xDDDDDD, "grid"},  {0xB00020, "notice"}, {0x0072B2, "hue-1"},
               {0xD55E00, "hue-2"}, {0x009E73, "hue-3"}, {0xCC79A7, "hue-4"},  {0xE69F00, "hue-5"},
               {0x56B4E9, "hue-6"}};

struct scanner {
    const char *begin, *p, *end;
    const char *prefix, *title, *description;
    FILE *out;
    struct span open[DEPTH_MAX];
    size_t depth;
    size_t skip_from; /* depth at which a dropped element was opened; 0 while nothing is dropped */
    struct err *e;
};

static enum err_code refuse(const struct scanner *s, const char *what)
{
    return err_set(s->e, ERR_SYSTEM, "the picture is not well-formed at byte %zu: %s",
                   (size_t)(s->p - s->begin), what);
}

static bool is(struct span a, const char *b)
{
    return strlen(b) == a.length && memcmp(a.start, b, a.length) == 0;
}

static bool starts(const struct scanner *s, const char *text)
{
    size_t length = strlen(text);
    return (size_t)(s->end - s->p) >= length && memcmp(s->p, text, length) == 0;
}

static void put(const struct scanner *s, const char *text, size_t length)
{
    if (s->skip_from == 0 && s->out != NULL)
        fwrite(text, 1, length, s->out);
}

static void skip_blanks(struct scanner *s)
{
    while (s->p < s->end && (*s->p == ' ' || *s->p == '\t' || *s->p == '\r' || *s->p == '\n'))
        s->p++;
}

static bool name_character(char c)
{
    return isalnum((unsigned char)c) || c == '_' || c == ':' || c == '.' || c == '-' ||
           (unsigned char)c >= 0x80;
}

static struct span read_name(struct scanner *s)
{
    struct span name = {s->p, 0};
    while (s->p < s->end && name_character(*s->p))
        s->p++;
    name.length = (size_t)(s->p - name.start);
    return name;
}

/* Move past what ends with text, such as a comment. */
static enum err_code skip_past(struct scanner *s, const char *text)
{
    while (s->p < s->end && !starts(s, text))
        s->p++;
    if (s->p == s->end)
        return refuse(s, "unfinished prolog or comment");
    s->p += strlen(text);
    return ERR_OK;
}

/* "&name;" or "&#number;" at s->p; only the five names XML knows. */
static enum err_code check_entity(struct scanner *s)
{
    static const char *const known[] = {"&amp;", "&lt;", "&gt;", "&quot;", "&apos;"};
    const char *start = s->p;
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (starts(s, known[i])) {
            s->p += strlen(known[i]);
            return ERR_OK;
        }
    }
    if (starts(s, "&#")) {
        s->p += 2;
        while (s->p < s->end && isxdigit((unsigned char)*s->p))
            s->p++;
        if (s->p < s->end && *s->p == ';' && s->p > start + 2) {
            s->p++;
            return ERR_OK;
        }
    }
    return refuse(s, "a bare ampersand");
}

/* Characters up to, not including, '<' or stop. */
static enum err_code check_text(struct scanner *s, char stop, struct span *text)
{
    text->start = s->p;
    while (s->p < s->end && *s->p != '<' && *s->p != stop) {
        unsigned char c = (unsigned char)*s->p;
        if (c == '&') {
            if (check_entity(s) != ERR_OK)
                return ERR_SYSTEM;
            continue;
        }
        if ((c < 0x20 && c != '\t' && c != '\r' && c != '\n') || c == 0x7F)
            return refuse(s, "a control character");
        s->p++;
    }
    text->length = (size_t)(s->p - text->start);
    return ERR_OK;
}

static bool read_hex(struct span value, unsigned *rgb)
{
    char digits[7] = "";
    if (value.length != 7 || value.start[0] != '#')
        return false;
    memcpy(digits, value.start + 1, 6);
    *rgb = (unsigned)strtoul(digits, NULL, 16);
    return strspn(digits, "0123456789abcdefABCDEF") == 6;
}

/* "rgb(  0, 114, 178)", as gnuplot pads it. */
static bool read_decimal(struct span value, unsigned *rgb)
{
    static const char *const before[] = {"rgb(", ",", ","};
    char text[32];
    const char *at = text;
    unsigned read = 0;
    if (value.length >= sizeof text)
        return false;
    memcpy(text, value.start, value.length);
    text[value.length] = 0;
    for (size_t i = 0; i < 3; i++) {
        char *end;
        unsigned long part;
        if (strncmp(at, before[i], strlen(before[i])) != 0)
            return false;
        at += strlen(before[i]);
        at += strspn(at, " ");
        if (!isdigit((unsigned char)*at))
            return false;
        part = strtoul(at, &end, 10);
        if (part > 255)
            return false;
        read = read << 8 | (unsigned)part;
        at = end;
    }
    *rgb = read;
    return strcmp(at, ")") == 0;
}

/* The page's name for a colour; NULL for one that is no colour of the figures. */
static const char *colour_property(struct span value)
{
    unsigned rgb = 0;
    if (!is(value, "black") && !read_hex(value, &rgb) && !read_decimal(value, &rgb))
        return NULL;
    for (size_t i = 0; i < sizeof COLOURS / sizeof COLOURS[0]; i++) {
        if (COLOURS[i].rgb == rgb)
            return COLOURS[i].property;
    }
    return NULL;
}

static bool put_colour(const struct scanner *s, struct span name, struct span value)
{
    const char *property;
    if (!is(name, "fill") && !is(name, "stroke") && !is(name, "color"))
        return false;
    property = colour_property(value);
    if (property == NULL)
        return false;
    put(s, "var(--figure-", 13);
    put(s, property, strlen(property));
    put(s, ")", 1);
    return true;
}

/* An attribute value with the prefix put into every url(#id). */
static void put_value(const struct scanner *s, struct span value)
{
    const char *p = value.start, *end = value.start + value.length;
    while (p < end) {
        const char *url = memmem(p, (size_t)(end - p), "url(#", 5);
        if (url == NULL) {
            put(s, p, (size_t)(end - p));
            return;
        }
        put(s, p, (size_t)(url + 5 - p));
        put(s, s->prefix, strlen(s->prefix));
        put(s, "-", 1);
        p = url + 5;
    }
}

static enum err_code attribute(struct scanner *s)
{
    struct span name = read_name(s), value;
    char quote[2] = {0, 0};
    bool reference;
    if (name.length == 0)
        return refuse(s, "an attribute without a name");
    skip_blanks(s);
    if (s->p == s->end || *s->p != '=')
        return refuse(s, "an attribute without a value");
    s->p++;
    skip_blanks(s);
    if (s->p == s->end || (*s->p != '"' && *s->p != '\''))
        return refuse(s, "an attribute value without quotes");
    quote[0] = *s->p++;
    if (check_text(s, quote[0], &value) != ERR_OK)
        return ERR_SYSTEM;
    if (s->p == s->end || *s->p != quote[0])
        return refuse(s, "an unfinished attribute value");
    s->p++;
    reference = is(name, "href") || is(name, "xlink:href");
    if (reference && (value.length == 0 || value.start[0] != '#'))
        return refuse(s, "a reference that leaves the picture");
    if (name.length > 2 && strncasecmp(name.start, "on", 2) == 0)
        return refuse(s, "an event attribute");
    put(s, " ", 1);
    put(s, name.start, name.length);
    put(s, "=", 1);
    put(s, quote, 1);
    if (is(name, "id") || reference) {
        size_t hash = reference ? 1 : 0;
        put(s, "#", hash);
        put(s, s->prefix, strlen(s->prefix));
        put(s, "-", 1);
        put(s, value.start + hash, value.length - hash);
    } else if (!put_colour(s, name, value)) {
        put_value(s, value);
    }
    put(s, quote, 1);
    return ERR_OK;
}

static void put_labels(struct scanner *s)
{
    if (s->out == NULL)
        return;
    fprintf(s->out, " role=\"img\" aria-labelledby=\"%s-title\" aria-describedby=\"%s-desc\"", s->prefix,
            s->prefix);
}

static void put_titles(struct scanner *s)
{
    if (s->out == NULL)
        return;
    fprintf(s->out, "<title id=\"%s-title\">", s->prefix);
    text_html(s->out, s->title);
    fprintf(s->out, "</title>\n<desc id=\"%s-desc\">", s->prefix);
    text_html(s->out, s->description);
    fputs("</desc>", s->out);
}

/* Whether the element that starts at s->p, behind its name, holds nothing but blanks: gnuplot writes a group
 * for every change of the pen, and most of them stay empty. */
static bool is_empty_group(const struct scanner *s, struct span name)
{
    const char *p = s->p;
    char quote = 0;
    if (!is(name, "g"))
        return false;
    for (; p < s->end && (quote != 0 || *p != '>'); p++) {
        if (quote == 0 && (*p == '"' || *p == '\''))
            quote = *p;
        else if (*p == quote)
            quote = 0;
    }
    for (p += p < s->end; p < s->end && isspace((unsigned char)*p); p++)
        continue;
    return s->end - p >= 4 && memcmp(p, "</g>", 4) == 0;
}

/* Whether a title within the picture is gnuplot's own name of a plot ("torque_plot_5d"), which a browser
 * would show as a hint. */
static bool names_plot(const struct scanner *s)
{
    const char *close = memchr(s->p, '<', (size_t)(s->end - s->p));
    return close != NULL && memmem(s->p, (size_t)(close - s->p), "_plot_", 6) != NULL;
}

static enum err_code start_tag(struct scanner *s)
{
    static const char *const banned[] = {"script", "foreignObject", "a",       "image",
                                         "iframe", "style",         "animate", "set"};
    struct span name;
    bool root = s->depth == 0;
    s->p++;
    name = read_name(s);
    if (name.length == 0)
        return refuse(s, "a tag without a name");
    if (root != is(name, "svg"))
        return refuse(s, "the root element is not one <svg>");
    for (size_t i = 0; i < sizeof banned / sizeof banned[0]; i++) {
        if (is(name, banned[i]))
            return refuse(s, "an element that a figure does not need");
    }
    if (s->depth == DEPTH_MAX)
        return refuse(s, "elements nested too deep");
    s->open[s->depth++] = name;
    /* The root's own title and description name the program; ours take their place. */
    if (s->skip_from == 0 && s->depth == 2 && (is(name, "title") || is(name, "desc")))
        s->skip_from = s->depth;
    if (s->skip_from == 0 && !root && (is_empty_group(s, name) || (is(name, "title") && names_plot(s))))
        s->skip_from = s->depth;
    put(s, "<", 1);
    put(s, name.start, name.length);
    if (root)
        put_labels(s);
    for (;;) {
        skip_blanks(s);
        if (s->p == s->end)
            return refuse(s, "an unfinished tag");
        if (*s->p == '>') {
            s->p++;
            put(s, ">", 1);
            if (root)
                put_titles(s);
            return ERR_OK;
        }
        if (starts(s, "/>")) {
            s->p += 2;
            put(s, "/>", 2);
            if (root)
                return refuse(s, "an empty picture");
            if (s->skip_from == s->depth)
                s->skip_from = 0;
            s->depth--;
            return ERR_OK;
        }
        if (attribute(s) != ERR_OK)
            return ERR_SYSTEM;
    }
}

static enum err_code end_tag(struct scanner *s)
{
    struct span name;
    s->p += 2;
    name = read_name(s);
    skip_blanks(s);
    if (s->depth == 0 || name.length != s->open[s->depth - 1].length ||
        memcmp(name.start, s->open[s->depth - 1].start, name.length) != 0)
        return refuse(s, "an end tag that closes nothing");
    if (s->p == s->end || *s->p != '>')
        return refuse(s, "an unfinished end tag");
    s->p++;
    put(s, "</", 2);
    put(s, name.start, name.length);
    put(s, ">", 1);
    if (s->skip_from == s->depth)
        s->skip_from = 0;
    s->depth--;
    return ERR_OK;
}

/* Whether a text is the picture's own title, as gnuplot escapes it: the page has that above the picture. */
static bool is_title(const struct scanner *s, struct span text)
{
    const char *p = text.start, *end = text.start + text.length;
    if (s->depth == 0 || !is(s->open[s->depth - 1], "text") || s->title[0] == 0)
        return false;
    for (const char *t = s->title; *t != 0; t++) {
        static const struct {
            char plain;
            const char *escaped;
        } ESCAPES[] = {{'&', "&amp;"}, {'<', "&lt;"}, {'>', "&gt;"}, {'"', "&quot;"}, {'\'', "&apos;"}};
        size_t length = 1;
        bool same = p < end && *p == *t;
        for (size_t i = 0; i < sizeof ESCAPES / sizeof ESCAPES[0]; i++) {
            size_t n = strlen(ESCAPES[i].escaped);
            if (*t == ESCAPES[i].plain && (size_t)(end - p) >= n && memcmp(p, ESCAPES[i].escaped, n) == 0) {
                same = true;
                length = n;
            }
        }
        if (!same)
            return false;
        p += length;
    }
    return p == end;
}

static enum err_code text_run(struct scanner *s)
{
    struct span text;
    if (check_text(s, '<', &text) != ERR_OK)
        return ERR_SYSTEM;
    if (is_title(s, text))
        return ERR_OK;
    if (s->depth > 0) {
        put(s, text.start, text.length);
        return ERR_OK;
    }
    for (size_t i = 0; i < text.length; i++) {
        if (!isspace((unsigned char)text.start[i]))
            return refuse(s, "text outside the picture");
    }
    return ERR_OK;
}

enum err_code svg_inline(const char *svg, size_t length, const char *prefix, const char *title,
                         const char *description, FILE *out, svg_inline_passed *passed, struct err *e)
{
    struct scanner s = {.begin = svg,
                        .p = svg,
                        .end = svg + length,
                        .prefix = prefix,
                        .title = title,
                        .description = description,
                        .out = out,
                        .e = e};
    const char *told = svg;
    bool finished = false;
    while (s.p < s.end) {
        enum err_code code;
        if (passed != NULL && s.p - told >= PASSED_BYTES) {
            passed(svg, (size_t)(s.p - svg));
            told = s.p;
        }
        if (starts(&s, "<?"))
            code = skip_past(&s, "?>");
        else if (starts(&s, "<!--"))
            code = skip_past(&s, "-->");
        else if (starts(&s, "<!") && s.depth == 0 && !finished)
            code = skip_past(&s, ">");
        else if (starts(&s, "</"))
            code = end_tag(&s);
        else if (*s.p == '<' && !finished)
            code = start_tag(&s);
        else if (*s.p == '<')
            code = refuse(&s, "more than one picture");
        else
            code = text_run(&s);
        if (code != ERR_OK)
            return code;
        if (s.depth == 0 && s.open[0].length > 0)
            finished = true;
    }
    if (!finished)
        return refuse(&s, "it ends before </svg>");
    return ERR_OK;
}
