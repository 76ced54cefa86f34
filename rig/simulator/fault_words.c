#include "rig/simulator/fault_words.h"

#include "rig/base/number.h"
#include "rig/simulator/word_list.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define TIME_MAX_S    1e6
#define CLOCK_PPM_MAX 1000.0

const char *const FAULT_SHARE_WORDS[FAULT_SHARES] = {
    [FAULT_MISSING] = "missing",
    [FAULT_REPEATED] = "repeated",
    [FAULT_REORDERED] = "reordered",
    [FAULT_CORRUPTED] = "corrupted",
    [FAULT_SPLIT] = "split",
    [FAULT_NOISE] = "noise",
    [FAULT_HOST_MISSING] = "host-missing",
    [FAULT_HOST_CORRUPTED] = "host-corrupted",
};

const char *const FAULT_TIMED_WORDS[FAULT_TIMED] = {
    [FAULT_REBOOT] = "reboot",
    [FAULT_UNPLUGGED] = "unplugged",
    [FAULT_SEVERED] = "severed",
    [FAULT_DEAF] = "deaf",
    [FAULT_MUTE] = "mute",
    [FAULT_EMERGENCY_STOP] = "emergency-stop",
    [FAULT_DRIVER_FAULT] = "driver-fault",
    [FAULT_LIMIT_SWITCH] = "limit-switch",
    [FAULT_OVER_RANGE] = "over-range",
};

enum length { LENGTH_NONE, LENGTH_MAY, LENGTH_MUST };

static enum length length_of(enum fault_timed fault)
{
    switch (fault) {
    case FAULT_REBOOT:
        return LENGTH_NONE;
    case FAULT_EMERGENCY_STOP:
    case FAULT_DRIVER_FAULT:
    case FAULT_LIMIT_SWITCH:
        return LENGTH_MAY;
    default:
        return LENGTH_MUST;
    }
}

/* Behind those of the same time, so that what was named first happens first. */
static bool add_moment(struct fault_plan *plan, struct fault_moment moment)
{
    size_t at = plan->moment_count;
    if (at == FAULT_MOMENTS_MAX)
        return false;
    for (; at > 0 && plan->moments[at - 1].after_us > moment.after_us; at--)
        plan->moments[at] = plan->moments[at - 1];
    plan->moments[at] = moment;
    plan->moment_count++;
    return true;
}

static enum err_code read_timed(enum fault_timed fault, char *at, struct fault_plan *plan, struct err *e)
{
    const char *const name = FAULT_TIMED_WORDS[fault];
    const enum length wants = length_of(fault);
    char what[WORD_LIST_WORD_MAX];
    double begin_s;
    double length_s = 0;
    char *plus = strchr(at, '+');
    if (plus != NULL)
        *plus = '\0';
    if (plus == NULL && wants == LENGTH_MUST)
        return err_set(e, ERR_USAGE, "--faults: %s wants a time and a length in seconds: %s@T+D", name, name);
    if (plus != NULL && wants == LENGTH_NONE)
        return err_set(e, ERR_USAGE, "--faults: %s wants a time alone: %s@T", name, name);
    snprintf(what, sizeof what, "--faults: time of %s", name);
    enum err_code code = number_read_double(at, 0, TIME_MAX_S, what, "s", &begin_s, e);
    snprintf(what, sizeof what, "--faults: length of %s", name);
    if (code == ERR_OK && plus != NULL)
        code = number_read_double(plus + 1, 0.001, TIME_MAX_S, what, "s", &length_s, e);
    if (code != ERR_OK)
        return code;
    const int64_t begin_us = llround(begin_s * 1e6);
    const int64_t end_us = begin_us + llround(length_s * 1e6);
    if (!add_moment(plan, (struct fault_moment){begin_us, fault, true}) ||
        (plus != NULL && !add_moment(plan, (struct fault_moment){end_us, fault, false})))
        return err_set(e, ERR_USAGE, "--faults: more than %d timed faults", FAULT_MOMENTS_MAX / 2);
    return ERR_OK;
}

static enum err_code read_setting(const char *word, const char *value, struct fault_plan *plan, struct err *e)
{
    char what[WORD_LIST_WORD_MAX + 16];
    snprintf(what, sizeof what, "--faults: %s", word);
    /* Far from the ends of 64 bits, so that the clock never overflows. */
    if (strcmp(word, "clock-start") == 0)
        return number_read_int64(value, 0, INT64_MAX / 4, what, "us", &plan->clock_start_us, e);
    if (strcmp(word, "clock-ppm") == 0)
        return number_read_double(value, -CLOCK_PPM_MAX, CLOCK_PPM_MAX, what, "ppm", &plan->clock_ppm, e);
    for (int i = 0; i < FAULT_SHARES; i++)
        if (strcmp(word, FAULT_SHARE_WORDS[i]) == 0)
            return number_read_double(value, 0, 1, what, "", &plan->share[i], e);
    return err_set(e, ERR_USAGE, "--faults: there is no '%s='", word);
}

static enum err_code read_word(char *word, void *context, struct err *e)
{
    struct fault_plan *plan = context;
    char *mark = strpbrk(word, "=@");
    if (strcmp(word, "limits-ignored") == 0) {
        plan->limits_ignored = true;
        return ERR_OK;
    }
    if (mark == NULL)
        return err_set(e, ERR_USAGE, "--faults: '%s' is no fault, or lacks its =P or @T", word);
    const char kind = *mark;
    *mark = '\0';
    if (kind == '=')
        return read_setting(word, mark + 1, plan, e);
    for (int i = 0; i < FAULT_TIMED; i++)
        if (strcmp(word, FAULT_TIMED_WORDS[i]) == 0)
            return read_timed((enum fault_timed)i, mark + 1, plan, e);
    return err_set(e, ERR_USAGE, "--faults: there is no '%s@'", word);
}

enum err_code fault_words_read(const char *list, struct fault_plan *plan, struct err *e)
{
    return word_list_read("--faults", list, read_word, plan, e);
}
