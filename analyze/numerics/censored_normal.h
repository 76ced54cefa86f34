/* Means of groups of normal values of which some are only known to be at least so much (right-censored), by
 * maximum likelihood, with or without blocks. Pure arrays in, structs out. */
#ifndef ANALYZE_NUMERICS_CENSORED_NORMAL_H
#define ANALYZE_NUMERICS_CENSORED_NORMAL_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define CENSORED_NORMAL_GROUPS_MAX 16

struct censored_normal {
    double log_likelihood;
    double sigma;              /* maximum likelihood */
    double sigma_corrected;    /* for the degrees of freedom that the means cost */
    double degrees_of_freedom; /* uncensored values less the number of means and blocks fitted */
    double mean[CENSORED_NORMAL_GROUPS_MAX]; /* of each group, mean of blocks */
    /* of mean[], from the observed information, with sigma_corrected */
    double covariance[CENSORED_NORMAL_GROUPS_MAX][CENSORED_NORMAL_GROUPS_MAX];
};

/* value = group [+ block] + normal error of one sigma. at_least[i]: the true value is values[i] or above.
 * block may be NULL. Each group needs at least 3 uncensored values, and at least half of its values
 * uncensored: else ERR_NO_ANSWER with a sentence that says so and names the group by its number from 1.
 * ERR_NO_ANSWER too where the likelihood has no maximum. */
enum err_code censored_normal(const double *values, const bool *at_least, const size_t *group,
                              const size_t *block, size_t n, size_t groups, size_t blocks,
                              struct censored_normal *result, struct err *e);

#endif
