#include "capture/text_line.h"

size_t text_line_feed(struct text_line *line, const char *bytes, size_t length, enum text_line_result *result)
{
    *result = TEXT_LINE_MORE;
    if (line->ended)
        *line = (struct text_line){0};
    for (size_t i = 0; i < length; i++) {
        if (bytes[i] == '\n' || bytes[i] == '\r') {
            if (line->used == 0 && !line->overflow)
                continue;
            line->text[line->used] = 0;
            line->ended = true;
            *result = line->overflow ? TEXT_LINE_TOO_LONG : TEXT_LINE_WHOLE;
            return i + 1;
        }
        if (line->used == TEXT_LINE_MAX)
            line->overflow = true;
        else
            line->text[line->used++] = (char)(bytes[i] == 0 ? 1 : bytes[i]);
    }
    return length;
}

bool text_line_is_text(const char *text)
{
    for (const unsigned char *p = (const unsigned char *)text; *p != 0; p++) {
        if ((*p < 0x20 && *p != '\t') || (*p >= 0x7F && *p < 0xA0))
            return false;
    }
    return true;
}
