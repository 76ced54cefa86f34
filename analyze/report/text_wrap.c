#include "analyze/report/text_wrap.h"

#include "analyze/report/text_width.h"

#include <ctype.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define UNIT_COLUMNS_MAX 5  /* "mm/s", "mm³/s" */
#define INDENT_MAX       20 /* of a continued line, so that something fits beside it */

/* Bytes of the word at text. */
static size_t word(const char *text, size_t length)
{
    const char *space = memchr(text, ' ', length);
    return space == NULL ? length : (size_t)(space - text);
}

static bool is_unit(const char *text, size_t length)
{
    unsigned char first = length > 0 ? (unsigned char)text[0] : ' ';
    while (length > 0 && strchr(".,;:)", text[length - 1]) != NULL)
        length--;
    return length > 0 && (isalpha(first) || first == '%' || first >= 0x80 || strncmp(text, "1/", 2) == 0) &&
           text_width_of(text, length) <= UNIT_COLUMNS_MAX;
}

/* Whether a line may end before the space at text[at]. */
static bool may_break(const char *text, size_t length, size_t at)
{
    static const char plus_minus[] = "±";
    const size_t sign = sizeof plus_minus - 1;
    const char *behind = text + at + 1;
    size_t left = length - at - 1;
    if (at >= sign && memcmp(text + at - sign, plus_minus, sign) == 0)
        return false;
    if ((at > 1 && memcmp(text + at - 2, " -", 2) == 0) || (left > 1 && memcmp(behind, "- ", 2) == 0))
        return false;
    /* What a number is followed by is its unit, if it looks like one. "±" is none. */
    return !(at > 0 && isdigit((unsigned char)text[at - 1]) && is_unit(behind, word(behind, left)) &&
             !(left >= sign && memcmp(behind, plus_minus, sign) == 0));
}

/* Bytes up to the first place from start on where text may be broken. */
static size_t part_end(const char *text, size_t length, size_t start)
{
    size_t at = start;
    for (;;) {
        while (at < length && text[at] != ' ')
            at++;
        if (at == length || may_break(text, length, at))
            return at;
        at++;
    }
}

size_t text_wrap_line(const char *text, size_t length, int columns, size_t *next)
{
    size_t line = 0, end = part_end(text, length, 0);
    while (text_width_of(text, end) <= columns) {
        line = end;
        if (end == length)
            break;
        end = part_end(text, length, end + 1);
    }
    if (line == 0) {
        /* Not even one part fits: at its last space, else where the line is full. */
        size_t full = text_width_fit(text, end, columns);
        line = full;
        if (full < end && text[full] != ' ') {
            while (line > 0 && text[line - 1] != ' ')
                line--;
            line = line > 1 ? line - 1 : full;
        }
    }
    *next = line;
    while (*next < length && text[*next] == ' ')
        ++*next;
    while (line > 0 && line < length && text[line - 1] == ' ')
        line--;
    return line;
}

int text_wrap_widest_part(const char *text)
{
    size_t length = strlen(text);
    int widest = 0;
    for (size_t start = 0; start < length;) {
        size_t end = part_end(text, length, start);
        int own = text_width_of(text + start, end - start);
        widest = own > widest ? own : widest;
        start = end < length ? end + 1 : length;
    }
    return widest;
}

struct wrap {
    FILE *out;
    int width;
    char *line; /* what came of the present line */
    size_t length, room;
};

static bool put(FILE *out, const char *text, size_t length)
{
    return fwrite(text, 1, length, out) == length;
}

static bool put_line(struct wrap *w)
{
    size_t indent = 0, continued, next = 0;
    bool good;
    if (w->width <= 0 || text_width_of(w->line, w->length) <= w->width) {
        good = put(w->out, w->line, w->length);
        w->length = 0;
        return good;
    }
    while (indent < w->length && w->line[indent] == ' ')
        indent++;
    indent = indent > INDENT_MAX ? INDENT_MAX : indent;
    continued = indent > 0 ? indent + 2 : w->length > 2 && memcmp(w->line, "* ", 2) == 0 ? 2 : 0;
    good = put(w->out, w->line, indent);
    for (size_t start = indent; good && start < w->length; start += next) {
        int columns = w->width - (int)(start == indent ? indent : continued);
        size_t line = text_wrap_line(w->line + start, w->length - start, columns, &next);
        if (start > indent)
            good = fprintf(w->out, "\n%*s", (int)continued, "") > 0;
        good = good && put(w->out, w->line + start, line);
    }
    w->length = 0;
    return good;
}

static bool take(struct wrap *w, const char *text, size_t length)
{
    if (w->room - w->length < length) {
        size_t room = 2 * (w->length + length) + 256;
        char *line = realloc(w->line, room);
        if (line == NULL)
            return false;
        w->line = line;
        w->room = room;
    }
    memcpy(w->line + w->length, text, length);
    w->length += length;
    return true;
}

static ssize_t wrap_write(void *cookie, const char *text, size_t size)
{
    struct wrap *w = cookie;
    for (size_t i = 0; i < size;) {
        const char *end = memchr(text + i, '\n', size - i);
        size_t length = end == NULL ? size - i : (size_t)(end - (text + i));
        if (!take(w, text + i, length))
            return 0;
        i += length;
        if (end != NULL) {
            if (!put_line(w) || fputc('\n', w->out) == EOF)
                return 0;
            i++;
        }
    }
    return (ssize_t)size;
}

static int wrap_close(void *cookie)
{
    struct wrap *w = cookie;
    bool good = w->length == 0 || put_line(w);
    free(w->line);
    free(w);
    return good ? 0 : EOF;
}

FILE *text_wrap_open(FILE *out, int width)
{
    struct wrap *w = calloc(1, sizeof *w);
    FILE *stream;
    if (w == NULL)
        return NULL;
    w->out = out;
    w->width = width;
    stream = fopencookie(w, "w", (cookie_io_functions_t){.write = wrap_write, .close = wrap_close});
    if (stream == NULL)
        free(w);
    return stream;
}
