/* Whether the raw data of a run are fit for what is worked out from them: six things, each with a plain
 * verdict, the number, and what the verdict rests on. Pure: run_quality.h has the numbers. No I/O.
 *
 * A disturbance is held against what the run's result is uncertain by anyway, as a share of the variance of
 * the two together: up to a tenth (which makes the interval at most 5 % longer, 1/sqrt(0.9)) is good, more
 * than a half (it is then more than all else together) spoils. What counts as the rest is the greater of the
 * noise of a reading and the standard uncertainty of the force that the run gives, if any: a disturbance that
 * drowns in the noise does no harm. Gaps and drift, which no averaging mends, are held against the latter
 * alone where there is one; drift against the plan's limit first. */
#ifndef ANALYZE_DATA_QUALITY_H
#define ANALYZE_DATA_QUALITY_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

enum data_quality_aspect {
    DATA_QUALITY_JITTER,
    DATA_QUALITY_GAPS,
    DATA_QUALITY_SATURATION,
    DATA_QUALITY_MAINS,
    DATA_QUALITY_DRIFT,
    DATA_QUALITY_RESOLUTION,
    DATA_QUALITY_ASPECTS
};
/* What an aspect is called in files and for people; why its verdicts lie where they lie; what to do. */
extern const struct data_quality_kind {
    const char *key, *label, *threshold, *remedy;
} DATA_QUALITY_KINDS[DATA_QUALITY_ASPECTS];

/* In rising order of what a reader must know first. */
enum data_quality_verdict {
    DATA_QUALITY_GOOD,
    DATA_QUALITY_UNKNOWN,
    DATA_QUALITY_USABLE,
    DATA_QUALITY_SPOILS,
    DATA_QUALITY_VERDICTS
};
extern const char *const DATA_QUALITY_VERDICT_NAMES[DATA_QUALITY_VERDICTS]; /* "good", "unknown", ... */

#define DATA_QUALITY_SHARE_GOOD   0.1
#define DATA_QUALITY_SHARE_SPOILS 0.5

struct data_quality {
    enum data_quality_verdict verdict;
    double value_n; /* the disturbance in newtons, as a standard uncertainty; NAN: it has none */
    double share;   /* of the variance; NAN: not worked out */
    double rank;    /* among runs of the same verdict: the greater the worse; 0 at least */
    bool worded;    /* it has a text */
    char text[260]; /* the verdict as one sentence with its numbers, without a full stop */
};

/* All six of one run of that series. */
void data_quality_of_run(const struct run_result *run, const struct series *series,
                         struct data_quality quality[DATA_QUALITY_ASPECTS]);

/* The same without texts, which take most of the time. */
void data_quality_verdicts(const struct run_result *run, const struct series *series,
                           struct data_quality quality[DATA_QUALITY_ASPECTS]);

/* Over the runs of a feeder, of a series, or of all, without those that were repeated: no answer rests on
 * them, and what is wrong with them is why they were repeated. */
struct data_quality_sum {
    size_t runs;                                               /* that have verdicts */
    size_t good;                                               /* good in all that can be told */
    size_t count[DATA_QUALITY_ASPECTS][DATA_QUALITY_VERDICTS]; /* of them, by verdict */
    size_t worst[DATA_QUALITY_ASPECTS];      /* index of the worst run in the session, the first of such */
    double worst_rank[DATA_QUALITY_ASPECTS]; /* its rank */
};
struct data_quality_sums {
    struct data_quality_sum session;
    struct data_quality_sum *series, *feeders; /* one for each; owned */
};
/* Free with data_quality_free. ERR_MEMORY. */
enum err_code data_quality_sum_up(const struct session *session, struct data_quality_sums *sums,
                                  struct err *e);
void data_quality_free(struct data_quality_sums *sums);

/* The sentence of a verdict without the word "good", which may stand in front of it already. */
const char *data_quality_detail(const struct data_quality *quality);

/* The worst verdict that any run has in an aspect: what cannot be told counts only where no run tells. */
enum data_quality_verdict data_quality_worst(const struct data_quality_sum *sum,
                                             enum data_quality_aspect aspect);

#endif
