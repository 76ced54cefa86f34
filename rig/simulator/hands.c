#include "rig/simulator/hands.h"

#include "rig/base/err.h"
#include "rig/base/number.h"

#include <stdio.h>
#include <string.h>

/* Carry out one line. Returns whether there was anything in it. */
static bool obey(struct rig_state *rig, char *line, char *answer)
{
    static const char BLANKS[] = " \t\r";
    char *rest = line;
    char *comment = strchr(line, '#');
    if (comment != NULL)
        *comment = '\0';
    const char *verb = strtok_r(line, BLANKS, &rest);
    const char *number = verb != NULL ? strtok_r(NULL, BLANKS, &rest) : NULL;
    const char *more = number != NULL ? strtok_r(NULL, BLANKS, &rest) : NULL;
    struct err e;
    double force_n;
    if (verb == NULL)
        return false;
    if (strcmp(verb, "measure") == 0 && number == NULL) {
        snprintf(answer, HANDS_ANSWER_MAX, "%.6f", rig_state_measure_mm(rig));
    } else if (strcmp(verb, "hang") == 0 && number != NULL && more == NULL) {
        if (number_read_double(number, -HANDS_HANG_MAX_N, HANDS_HANG_MAX_N, "hang", "N", &force_n, &e) !=
            ERR_OK) {
            snprintf(answer, HANDS_ANSWER_MAX, "refused: %.280s", err_clean_text(e.text));
        } else {
            rig_state_hang(rig, force_n);
            snprintf(answer, HANDS_ANSWER_MAX, "hung %.9g", force_n);
        }
    } else {
        snprintf(answer, HANDS_ANSWER_MAX, "refused: say 'hang NEWTONS' or 'measure'");
    }
    return true;
}

size_t hands_take(struct hands *h, struct rig_state *rig, const char *bytes, size_t length, char *answer,
                  bool *answered)
{
    *answered = false;
    for (size_t i = 0; i < length; i++) {
        if (bytes[i] != '\n') {
            if (h->used < HANDS_LINE_MAX)
                h->line[h->used] = bytes[i];
            h->used += h->used <= HANDS_LINE_MAX;
            continue;
        }
        if (h->used > HANDS_LINE_MAX) {
            snprintf(answer, HANDS_ANSWER_MAX, "refused: a line of more than %d bytes", HANDS_LINE_MAX);
            *answered = true;
        } else {
            h->line[h->used] = '\0';
            *answered = obey(rig, h->line, answer);
        }
        h->used = 0;
        if (*answered)
            return i + 1;
    }
    return length;
}
