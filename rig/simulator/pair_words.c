#include "rig/simulator/pair_words.h"

#include "rig/base/number.h"
#include "rig/simulator/word_list.h"

#include <string.h>

#define TIME_MAX_S 1e6

const char *const PAIR_TROUBLE_WORDS[PAIR_TROUBLES] = {"over-range", "comma", "unit", "garbage",
                                                       "silent",     "error", "mute", "slow"};
static const char *const UNITS[PAIR_UNITS] = {"N", "kgf", "gf", "lbf"};

struct pair_plan pair_plan_default(void)
{
    return (struct pair_plan){.rate_hz = 50, .blocks = 4};
}

static enum err_code read_setting(const char *word, const char *value, struct pair_plan *plan, struct err *e)
{
    if (strcmp(word, "rate") == 0)
        return number_read_double(value, 1, 200, "--pair: rate", "Hz", &plan->rate_hz, e);
    if (strcmp(word, "microsteps-per-mm") == 0)
        return number_read_double(value, 0.1, 20000, "--pair: microsteps-per-mm", "",
                                  &plan->microsteps_per_mm, e);
    if (strcmp(word, "blocks") == 0)
        return number_read_int64(value, 1, 16, "--pair: blocks", "", &plan->blocks, e);
    if (strcmp(word, "unit") != 0)
        return err_set(e, ERR_USAGE, "--pair: there is no '%s='", word);
    for (int i = 0; i < PAIR_UNITS; i++) {
        if (strcmp(value, UNITS[i]) == 0) {
            plan->unit = (enum pair_unit)i;
            return ERR_OK;
        }
    }
    return err_set(e, ERR_USAGE, "--pair: unit: '%s' is none of N, kgf, gf, lbf", value);
}

static enum err_code read_word(char *word, void *context, struct err *e)
{
    struct pair_plan *plan = context;
    char *mark = strpbrk(word, "=@");
    if (strcmp(word, "poll") == 0) {
        plan->poll = true;
        return ERR_OK;
    }
    if (mark == NULL)
        return err_set(e, ERR_USAGE, "--pair: there is no '%s'", word);
    const char kind = *mark;
    *mark = '\0';
    if (kind == '=')
        return read_setting(word, mark + 1, plan, e);
    for (int i = 0; i < PAIR_TROUBLES; i++) {
        if (strcmp(word, PAIR_TROUBLE_WORDS[i]) != 0)
            continue;
        plan->troubled[i] = true;
        return number_read_double(mark + 1, 0, TIME_MAX_S, "--pair: time of a trouble", "s",
                                  &plan->after_s[i], e);
    }
    return err_set(e, ERR_USAGE, "--pair: there is no '%s@'", word);
}

enum err_code pair_words_read(const char *list, struct pair_plan *plan, struct err *e)
{
    return word_list_read("--pair", list, read_word, plan, e);
}
