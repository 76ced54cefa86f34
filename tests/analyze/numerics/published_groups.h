/* Published values in groups and blocks, for the tests of what compares them. */
#ifndef TESTS_ANALYZE_NUMERICS_PUBLISHED_GROUPS_H
#define TESTS_ANALYZE_NUMERICS_PUBLISHED_GROUPS_H

#include <stddef.h>

/* Source: data set `PlantGrowth` of R (Dobson 1983), dried weight of plants: control, two treatments. */
static const double PLANT_GROWTH[30] = {
    4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14, 4.81, 4.17, 4.41, 3.59, 5.87,
    3.83, 6.03, 4.89, 4.32, 4.69, 6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26,
};
static const size_t PLANT_GROUP[30] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1,
                                       1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2};

/* Source: data set `sleep` of R (Student, Biometrika 6 (1908) 1-25), extra hours of sleep of ten patients
 * with two drugs. */
static const double SLEEP[20] = {0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0,
                                 1.9, 0.8,  1.1,  0.1,  -0.1, 4.4, 5.5, 1.6, 4.6, 3.4};
static const size_t SLEEP_GROUP[20] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1};
static const size_t SLEEP_BLOCK[20] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9};

/* Source: data set `npk` of R (Venables and Ripley 2002), yield of peas in six blocks; nitrogen or not, and
 * all three fertilisers as n + 2 p + 4 k, whose interaction of three is that of the blocks. */
static const double PEAS[24] = {49.5, 62.8, 46.8, 57.0, 59.8, 58.5, 55.5, 56.0, 62.8, 55.8, 69.5, 55.0,
                                62.0, 48.8, 45.5, 44.2, 52.0, 51.5, 49.8, 48.8, 57.2, 59.0, 53.2, 56.0};
static const size_t PEAS_NITROGEN[24] = {0, 1, 0, 1, 1, 1, 0, 0, 0, 1, 1, 0,
                                         1, 1, 0, 0, 1, 0, 1, 0, 1, 1, 0, 0};
static const size_t PEAS_TREATMENT[24] = {6, 3, 0, 5, 1, 7, 4, 2, 2, 7, 1, 4,
                                          1, 7, 4, 2, 3, 0, 5, 6, 5, 3, 6, 0};
static const size_t PEAS_BLOCK[24] = {0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5};

/* Invented: three feeders in five blocks, of which one lacks the last block and one the first. */
static const double INCOMPLETE[13] = {84.1, 85.9, 83.2, 86.4, 84.7, 72.8, 74.9,
                                      71.6, 75.7, 80.3, 81.9, 82.6, 79.8};
static const size_t INCOMPLETE_GROUP[13] = {0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2};
static const size_t INCOMPLETE_BLOCK[13] = {0, 1, 2, 3, 4, 0, 1, 2, 3, 1, 2, 3, 4};

/* Source: example of a Tukey test in the tests of SciPy (scipy.stats.tukey_hsd), three groups of five. */
static const double HEADACHE[15] = {24.5, 23.5, 26.4, 27.1, 29.9, 28.4, 34.2, 29.5,
                                    32.2, 30.1, 26.1, 28.3, 24.3, 26.2, 27.8};
static const size_t HEADACHE_GROUP[15] = {0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2};

#endif
