#include "analyze/report/md_text.h"

#include <ctype.h>
#include <string.h>

void md_text_begin(struct md_text *t, FILE *out, bool begins)
{
    *t = (struct md_text){.out = out, .at = begins ? MD_TEXT_START : MD_TEXT_INSIDE};
}

static void remember(struct md_text *t, char c)
{
    memmove(t->tail, t->tail + 1, sizeof t->tail - 1);
    t->tail[sizeof t->tail - 1] = (char)tolower((unsigned char)c);
}

/* Whether what was written last ends with a word, whole or not: a longer word is no address either way. */
static bool after(const struct md_text *t, const char *word)
{
    size_t length = strlen(word);
    return memcmp(t->tail + sizeof t->tail - length, word, length) == 0;
}

/* The schemes that the autolink extension knows; the colon is part of what it looks for. */
static bool after_scheme(const struct md_text *t)
{
    return after(t, "http") || after(t, "https") || after(t, "ftp") || after(t, "mailto") || after(t, "xmpp");
}

/* Characters that can be part of a mail address in front of its @. */
static bool before_at(char c)
{
    return c != 0 && (isalnum((unsigned char)c) || strchr(".+-_", c) != NULL);
}

static bool needs_escape(const struct md_text *t, char c)
{
    if (strchr("\\`*_[]<>&~$#^", c) != NULL)
        return true;
    if (c == ':')
        return after_scheme(t);
    if (c == '.' && after(t, "www"))
        return true;
    if (t->at == MD_TEXT_START)
        return strchr("+-=", c) != NULL;
    return t->at == MD_TEXT_NUMBER && (c == '.' || c == ')');
}

static void flush_blank(struct md_text *t)
{
    if (t->blank && t->any) {
        fputc(' ', t->out);
        remember(t, ' ');
    }
    t->blank = false;
}

static void put_character(struct md_text *t, char c)
{
    if ((unsigned char)c < 0x20 || c == 0x7f)
        c = '?';
    if (c == '|') {
        /* A cell ends at a bar even inside a code span, and renderers differ on how many backslashes save
         * it; a character reference is never structure. */
        fputs("&#124;", t->out);
    } else if (c == '@' && before_at(t->tail[sizeof t->tail - 1])) {
        /* Renderers look for mail addresses when escapes and references have been resolved; only code is left
         * alone. */
        fputs("`@`", t->out);
    } else {
        if (needs_escape(t, c))
            fputc('\\', t->out);
        fputc(c, t->out);
    }
    remember(t, c);
    t->any = true;
    if (isdigit((unsigned char)c) && t->at != MD_TEXT_INSIDE)
        t->at = MD_TEXT_NUMBER;
    else
        t->at = MD_TEXT_INSIDE;
}

void md_text_put(struct md_text *t, const char *text, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        if (strchr(" \t\r\n\f", text[i]) != NULL && text[i] != 0) {
            t->blank = true;
            continue;
        }
        flush_blank(t);
        put_character(t, text[i]);
    }
}

void md_text_raw(struct md_text *t, const char *markup)
{
    flush_blank(t);
    fputs(markup, t->out);
}

static size_t longest_run(const char *text, size_t length)
{
    size_t longest = 0, run = 0;
    for (size_t i = 0; i < length; i++) {
        run = text[i] == '`' ? run + 1 : 0;
        longest = run > longest ? run : longest;
    }
    return longest;
}

static void put_ticks(FILE *out, size_t count)
{
    for (size_t i = 0; i < count; i++)
        fputc('`', out);
}

void md_text_code(struct md_text *t, const char *text, size_t length)
{
    size_t ticks = longest_run(text, length) + 1;
    /* One space at each end is taken off again, where there is one at both. */
    bool padded = length > 0 && (text[0] == '`' || text[length - 1] == '`' || text[0] == ' ');
    if (length == 0)
        return;
    flush_blank(t);
    put_ticks(t->out, ticks);
    fputs(padded ? " " : "", t->out);
    for (size_t i = 0; i < length; i++)
        fputc(strchr("\t\n", text[i]) != NULL && text[i] != 0 ? ' '
              : (unsigned char)text[i] < 0x20                 ? '?'
                                                              : text[i],
              t->out);
    fputs(padded ? " " : "", t->out);
    put_ticks(t->out, ticks);
    remember(t, '`');
    t->any = true;
    t->at = MD_TEXT_INSIDE;
}

void md_text_fenced(FILE *out, const char *text, size_t length)
{
    size_t ticks = longest_run(text, length) + 1;
    ticks = ticks < 3 ? 3 : ticks;
    put_ticks(out, ticks);
    fputc('\n', out);
    for (size_t i = 0; i < length; i++)
        fputc((unsigned char)text[i] < 0x20 && strchr("\t\n", text[i]) == NULL ? '?' : text[i], out);
    if (length > 0 && text[length - 1] != '\n')
        fputc('\n', out);
    put_ticks(out, ticks);
    fputs("\n\n", out);
}
