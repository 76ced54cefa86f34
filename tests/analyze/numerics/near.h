/* Values held to a relative tolerance, shown with all their digits when they are off. */
#ifndef TESTS_ANALYZE_NUMERICS_NEAR_H
#define TESTS_ANALYZE_NUMERICS_NEAR_H

#include <criterion/criterion.h>
#include <math.h>

#define expect_near(value, expected, relative)                                                               \
    cr_expect(fabs((double)(value) - (expected)) <= (relative)*fabs((double)(expected)),                     \
              "%s: %.15g, expected %.15g", #value, (double)(value), (double)(expected))

#endif
