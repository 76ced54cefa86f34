#include "rig/base/err.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static enum err_code fill(struct err *e, enum err_code code, const char *file, int64_t line, int64_t column,
                          const char *format, va_list arguments)
{
    if (e == NULL)
        return code;
    memset(e, 0, sizeof *e);
    e->code = code;
    e->line = line;
    e->column = column;
    if (file != NULL)
        snprintf(e->file, sizeof e->file, "%s", file);
    vsnprintf(e->text, sizeof e->text, format, arguments);
    return code;
}

enum err_code err_set(struct err *e, enum err_code code, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fill(e, code, NULL, 0, 0, format, arguments);
    va_end(arguments);
    return code;
}

enum err_code err_set_at(struct err *e, enum err_code code, const char *file, int64_t line, int64_t column,
                         const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fill(e, code, file, line, column, format, arguments);
    va_end(arguments);
    return code;
}

int err_exit_status(enum err_code code)
{
    switch (code) {
    case ERR_OK:
        return EXIT_DONE;
    case ERR_NO_ANSWER:
        return EXIT_ANSWER_NO;
    case ERR_USAGE:
        return EXIT_WRONG_USE;
    case ERR_FILE:
        return EXIT_BAD_INPUT;
    case ERR_DEVICE:
    case ERR_BYTES:
        return EXIT_DEVICE;
    case ERR_SYSTEM:
    case ERR_MEMORY:
    case ERR_CALLER:
        return EXIT_SYSTEM;
    }
    return EXIT_SYSTEM;
}

/* Length of the valid UTF-8 sequence at p, or 0 when the bytes there are not valid UTF-8. Overlong forms,
 * surrogates and values past U+10FFFF are not valid (RFC 3629). */
static size_t utf8_length(const unsigned char *p)
{
    size_t length;
    unsigned value;
    unsigned least;
    if (p[0] < 0x80)
        return 1;
    if (p[0] >= 0xC2 && p[0] <= 0xDF) {
        length = 2;
        value = p[0] & 0x1Fu;
        least = 0x80;
    } else if ((p[0] & 0xF0) == 0xE0) {
        length = 3;
        value = p[0] & 0x0Fu;
        least = 0x800;
    } else if (p[0] >= 0xF0 && p[0] <= 0xF4) {
        length = 4;
        value = p[0] & 0x07u;
        least = 0x10000;
    } else {
        return 0;
    }
    for (size_t i = 1; i < length; i++) {
        if ((p[i] & 0xC0) != 0x80)
            return 0;
        value = (value << 6) | (p[i] & 0x3Fu);
    }
    if (value < least || value > 0x10FFFF || (value >= 0xD800 && value <= 0xDFFF))
        return 0;
    /* The C1 control characters, U+0080 to U+009F, drive a terminal as much as C0 does. */
    if (value < 0xA0)
        return 0;
    return length;
}

/* Length of a sequence at p that reorders text or hides in it: U+061C, U+200B to U+200F, U+2028 to U+202E,
 * U+2060 to U+2069, U+FEFF. 0 for anything else. */
static size_t hidden_length(const unsigned char *p)
{
    if (p[0] == 0xD8 && p[1] == 0x9C)
        return 2;
    if (p[0] == 0xE2 && p[1] == 0x80 && ((p[2] >= 0x8B && p[2] <= 0x8F) || (p[2] >= 0xA8 && p[2] <= 0xAE)))
        return 3;
    if (p[0] == 0xE2 && p[1] == 0x81 && p[2] >= 0xA0 && p[2] <= 0xA9)
        return 3;
    if (p[0] == 0xEF && p[1] == 0xBB && p[2] == 0xBF)
        return 3;
    return 0;
}

char *err_clean_text(char *text)
{
    unsigned char *from = (unsigned char *)text, *to = from;
    while (*from != 0) {
        size_t length = utf8_length(from), hidden = hidden_length(from);
        if (length == 0 || *from < 0x20 || *from == 0x7F || hidden > 0) {
            *to++ = '?';
            from += hidden > 0 ? hidden : 1;
            continue;
        }
        memmove(to, from, length);
        to += length;
        from += length;
    }
    *to = 0;
    return text;
}

char *err_format(const struct err *e, char *buffer, size_t size)
{
    char file[sizeof e->file];
    char text[sizeof e->text];
    char source[sizeof e->source];
    char place[64] = "";
    snprintf(file, sizeof file, "%s", e->file);
    snprintf(text, sizeof text, "%s", e->text);
    snprintf(source, sizeof source, "%s", e->source);
    err_clean_text(file);
    err_clean_text(text);
    for (char *p = source; *p != 0; p++) {
        if (*p == '\t')
            *p = ' ';
    }
    err_clean_text(source);
    if (e->line > 0 && e->column > 0)
        snprintf(place, sizeof place, "%lld:%lld", (long long)e->line, (long long)e->column);
    else if (e->line > 0)
        snprintf(place, sizeof place, "%lld", (long long)e->line);
    snprintf(buffer, size, "%s%s%s%s%s", file, file[0] != 0 && place[0] != 0 ? ":" : "", place,
             file[0] != 0 || place[0] != 0 ? ": " : "", text);
    if (source[0] != 0 && e->column > 0) {
        size_t used = strlen(buffer);
        int indent = (int)e->column - 1;
        if (indent < (int)sizeof source)
            snprintf(buffer + used, size - used, "\n  %s\n  %*s^", source, indent, "");
    }
    return buffer;
}
