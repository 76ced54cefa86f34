#include "rig/simulator/hands.h"

#include "rig/base/err.h"
#include "rig/base/number.h"

#include "rig/simulator/rig_run.h"

#include <stdio.h>
#include <string.h>

#define WHY_MAX      256
#define TUBE_MAX_DEG 3600.0
#define BRAKE_MAX_N  10000.0
#define HOT_LEAST_C  (-273.15)
#define HOT_MAX_C    2000.0

/* A number after a verb, or a refusal in answer. */
static bool read_number(const char *word, double low, double high, const char *name, const char *unit,
                        double *value, char *answer)
{
    struct err e;
    if (number_read_double(word, low, high, name, unit, value, &e) == ERR_OK)
        return true;
    snprintf(answer, HANDS_ANSWER_MAX, "refused: %.280s", err_clean_text(e.text));
    return false;
}

static void set_end(struct rig_state *rig, const char *what, const char *number, char *answer)
{
    char why[WHY_MAX];
    double value = 0;
    enum model_end end = MODEL_END_BLOCKED;
    while (end <= MODEL_END_HOT && strcmp(what, RIG_END_NAMES[end]) != 0)
        end++;
    bool takes_number = end == MODEL_END_BRAKE || end == MODEL_END_HOT;
    if (end > MODEL_END_HOT || takes_number != (number != NULL)) {
        snprintf(answer, HANDS_ANSWER_MAX,
                 "refused: say 'end blocked', 'end free', 'end brake NEWTONS' or 'end hot CELSIUS'");
        return;
    }
    if (end == MODEL_END_BRAKE && !read_number(number, 0, BRAKE_MAX_N, "end brake", "N", &value, answer))
        return;
    if (end == MODEL_END_HOT && !read_number(number, HOT_LEAST_C, HOT_MAX_C, "end hot", "C", &value, answer))
        return;
    if (!rig_state_set_end(rig, end, value, why, sizeof why))
        snprintf(answer, HANDS_ANSWER_MAX, "refused: %s", err_clean_text(why));
    else if (takes_number)
        snprintf(answer, HANDS_ANSWER_MAX, "set end %s %.9g", RIG_END_NAMES[end], value);
    else
        snprintf(answer, HANDS_ANSWER_MAX, "set end %s", RIG_END_NAMES[end]);
}

static void set_tube(struct rig_state *rig, const char *number, char *answer)
{
    char why[WHY_MAX];
    double bend_deg;
    if (!read_number(number, 0, TUBE_MAX_DEG, "tube", "degrees", &bend_deg, answer))
        return;
    if (!rig_state_set_tube(rig, bend_deg * 3.14159265358979323846 / 180, why, sizeof why))
        snprintf(answer, HANDS_ANSWER_MAX, "refused: %s", err_clean_text(why));
    else
        snprintf(answer, HANDS_ANSWER_MAX, "set tube %.9g", bend_deg);
}

static void hang(struct rig_state *rig, const char *number, char *answer)
{
    double force_n;
    if (!read_number(number, -HANDS_HANG_MAX_N, HANDS_HANG_MAX_N, "hang", "N", &force_n, answer))
        return;
    rig_state_hang(rig, force_n);
    snprintf(answer, HANDS_ANSWER_MAX, "hung %.9g", force_n);
}

/* Carry out one line. Returns whether there was anything in it. */
static bool obey(struct rig_state *rig, char *line, char *answer)
{
    static const char BLANKS[] = " \t\r";
    char *rest = line;
    char *words[4] = {NULL};
    size_t count = 0;
    char *comment = strchr(line, '#');
    if (comment != NULL)
        *comment = '\0';
    for (char *word = strtok_r(line, BLANKS, &rest); word != NULL && count < 4;
         word = strtok_r(NULL, BLANKS, &rest))
        words[count++] = word;
    if (count == 0)
        return false;
    if (count == 1 && strcmp(words[0], "measure") == 0) {
        snprintf(answer, HANDS_ANSWER_MAX, "%.6f", rig_state_measure_mm(rig));
    } else if (count == 1 && strcmp(words[0], "clean") == 0) {
        rig_state_clean(rig);
        snprintf(answer, HANDS_ANSWER_MAX, "set clean");
    } else if (count == 2 && strcmp(words[0], "hang") == 0) {
        hang(rig, words[1], answer);
    } else if (count == 2 && strcmp(words[0], "tube") == 0) {
        set_tube(rig, words[1], answer);
    } else if ((count == 2 || count == 3) && strcmp(words[0], "end") == 0) {
        set_end(rig, words[1], words[2], answer);
    } else {
        snprintf(answer, HANDS_ANSWER_MAX,
                 "refused: say 'hang NEWTONS', 'measure', 'end blocked', 'end free', 'end brake NEWTONS', "
                 "'end hot CELSIUS', 'tube DEGREES' or 'clean'");
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
