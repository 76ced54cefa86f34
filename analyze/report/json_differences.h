/* Where two JSON documents of one shape differ: numbers by more than rounding, everything else at all. */
#ifndef ANALYZE_REPORT_JSON_DIFFERENCES_H
#define ANALYZE_REPORT_JSON_DIFFERENCES_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/* Two numbers are the same to rounding when they agree within this share of the greater one, or this much:
 * results are written with 12 digits, and the mathematical functions of two machines differ in the last. */
#define JSON_DIFFERENCES_SHARE    1e-9
#define JSON_DIFFERENCES_ABSOLUTE 1e-12

#define JSON_DIFFERENCES_TEXT 120
struct json_difference {
    const char *path;                      /* "runs[series 1, run 12].stall_force_n.value"; foreign text */
    char published[JSON_DIFFERENCES_TEXT]; /* as JSON has them, cut where long; "nothing" where missing */
    char recomputed[JSON_DIFFERENCES_TEXT];
    bool number; /* both are numbers */
};

struct json_differences_count {
    size_t values;    /* compared: numbers, texts, true, false and null */
    size_t numbers;   /* of them */
    size_t different; /* of all */
};

/* Walk both. tell is called for each difference. Elements of lists are found by what they say of themselves
 * (run, feeder, pair, speed), others by their place; skip names
 * keys of the root that are left out, ended by NULL. False without memory. */
bool json_differences(const json_t *published, const json_t *recomputed, const char *const *skip,
                      void (*tell)(void *context, const struct json_difference *difference), void *context,
                      struct json_differences_count *count);

#endif
