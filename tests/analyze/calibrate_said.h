/* For the tests of calibrations: a note without a word in it, and what was said of the readings. */
#ifndef TESTS_ANALYZE_CALIBRATE_SAID_H
#define TESTS_ANALYZE_CALIBRATE_SAID_H

#include "analyze/calibrate_sentences.h"
#include "datasets/format/readings_note.h"

#include <criterion/criterion.h>
#include <stdbool.h>
#include <string.h>

/* A note of which nothing but its presence is known: by reading one that is not there. */
static inline void bare_note(struct readings_note *note, enum readings_kind kind, bool present)
{
    struct err e;
    cr_assert_eq(readings_note_read("/nonexistent/w.csv", kind, note, &e), ERR_OK);
    note->present = present;
}

static inline bool says(const struct calibrate_sentences *list, const char *part)
{
    for (size_t i = 0; i < list->count; i++) {
        if (strstr(list->text[i], part) != NULL)
            return true;
    }
    return false;
}

#endif
