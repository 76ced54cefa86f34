/* The words of --pair: how the two simulated instruments behave, and what goes wrong with them. */
#ifndef RIG_SIMULATOR_PAIR_WORDS_H
#define RIG_SIMULATOR_PAIR_WORDS_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stdint.h>

enum pair_unit { PAIR_UNIT_N, PAIR_UNIT_KGF, PAIR_UNIT_GF, PAIR_UNIT_LBF, PAIR_UNITS };

enum pair_trouble {
    PAIR_OVER_RANGE, /* the gauge writes OL */
    PAIR_COMMA,      /* a decimal comma */
    PAIR_UNIT,       /* another unit */
    PAIR_GARBAGE,    /* bytes as at a wrong speed */
    PAIR_SILENT,     /* the gauge writes nothing */
    PAIR_ERROR,      /* the controller answers "error" to motion */
    PAIR_MUTE,       /* the controller answers nothing */
    PAIR_SLOW,       /* the controller moves at half of the feed rate */
    PAIR_TROUBLES
};
extern const char *const PAIR_TROUBLE_WORDS[PAIR_TROUBLES];

struct pair_plan {
    double rate_hz; /* lines a second of a gauge that sends by itself */
    enum pair_unit unit;
    bool poll;                /* it writes only when it is sent a '?' */
    double microsteps_per_mm; /* the controller's setting; 0: right for the first feeder */
    int64_t blocks;           /* motions that the controller keeps in its queue */
    bool troubled[PAIR_TROUBLES];
    double after_s[PAIR_TROUBLES]; /* after the first motion began; 0: from the start */
};

/* What holds when nothing is said: 50 lines a second in newtons, four blocks. */
struct pair_plan pair_plan_default(void);

/* Words with commas between them: rate=HZ, unit=N|kgf|gf|lbf, poll, microsteps-per-mm=X, blocks=N, and
 * TROUBLE@T with T in seconds. ERR_USAGE names the word. */
enum err_code pair_words_read(const char *list, struct pair_plan *plan, struct err *e);

#endif
