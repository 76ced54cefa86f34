/* Band heights of stagnant surface layers against the logarithm of flow rate: Bacon and Watts, Biometrika 58
 * (1971) 525-534; as printed by R from the data set `stagnant` of the package segmented, in its order.
 * Columns x, y. */
#ifndef TESTS_REFERENCE_STAGNANT_H
#define TESTS_REFERENCE_STAGNANT_H

#include <stddef.h>

static const double STAGNANT_X[] = {-0.80, 0.01,  -0.25, -0.25, -0.12, -0.12, -0.94, 0.11, 0.11, -0.63,
                                    -0.63, -1.39, -1.39, 0.70,  0.70,  0.34,  1.19,  0.59, 0.85, 0.85,
                                    0.99,  0.99,  0.25,  -1.08, -1.08, 0.44,  0.34,  0.25};
static const double STAGNANT_Y[] = {0.90,  0.51,  0.65, 0.67,  0.60,  0.59, 0.92,  0.43,  0.43,  0.81,
                                    0.83,  1.12,  1.12, -0.13, -0.14, 0.25, -0.65, -0.01, -0.30, -0.33,
                                    -0.46, -0.43, 0.33, 0.99,  1.03,  0.13, 0.24,  0.30};
static const size_t STAGNANT_N = sizeof STAGNANT_X / sizeof STAGNANT_X[0];

#endif
