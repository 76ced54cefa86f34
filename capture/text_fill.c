#include "capture/text_fill.h"

#include <stdbool.h>
#include <string.h>

static bool begins_character(char byte)
{
    return ((unsigned char)byte & 0xC0) != 0x80;
}

static int width_of(const char *text)
{
    int width = 0;
    for (; *text != 0; text++)
        width += begins_character(*text);
    return width;
}

size_t text_fill_fitting(const char *text, int columns)
{
    size_t length = 0;
    int used = 0;
    while (text[length] != 0 && (columns == 0 || used < columns || !begins_character(text[length])))
        used += begins_character(text[length++]);
    return length;
}

/* Bytes of the first length of text but for blanks at their end. */
static size_t without_blanks(const char *text, size_t length)
{
    while (length > 0 && text[length - 1] == ' ')
        length--;
    return length;
}

void text_fill(FILE *out, const char *lead, int rest, int columns, const char *text)
{
    int column = width_of(lead);
    fputs(lead, out);
    for (;;) {
        /* Where not even one character has room, it is written all the same. */
        int room = columns == 0 ? 0 : columns - column > 1 ? columns - column : 1;
        size_t length = text_fill_fitting(text, room);
        if (text[length] != 0) {
            size_t blank = length;
            while (blank > 0 && text[blank] != ' ')
                blank--;
            length = blank > 0 ? blank : length;
        }
        fwrite(text, 1, text[length] == 0 ? length : without_blanks(text, length), out);
        text += length;
        text += strspn(text, " ");
        if (*text == 0)
            return;
        fprintf(out, "\n%*s", rest, "");
        column = rest;
    }
}
