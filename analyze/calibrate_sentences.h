/* What is said of a calibration: sentences for the reader, in the order in which they were found. */
#ifndef ANALYZE_CALIBRATE_SENTENCES_H
#define ANALYZE_CALIBRATE_SENTENCES_H

#include <stddef.h>

#define CALIBRATE_SENTENCES_MAX 12
#define CALIBRATE_SENTENCE_SIZE 240
/* Fewer degrees of freedom than this leave the scatter itself badly known, which is then said. */
#define CALIBRATE_FEW_DEGREES_OF_FREEDOM 5

struct calibrate_sentences {
    char text[CALIBRATE_SENTENCES_MAX][CALIBRATE_SENTENCE_SIZE];
    size_t count;
};

/* Adds one sentence, cut to CALIBRATE_SENTENCE_SIZE. One that finds no room is left out. */
void calibrate_sentences_add(struct calibrate_sentences *list, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
