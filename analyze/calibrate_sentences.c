#include "analyze/calibrate_sentences.h"

#include <stdarg.h>
#include <stdio.h>

void calibrate_sentences_add(struct calibrate_sentences *list, const char *format, ...)
{
    va_list arguments;
    if (list->count == CALIBRATE_SENTENCES_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(list->text[list->count++], CALIBRATE_SENTENCE_SIZE, format, arguments);
    va_end(arguments);
}
