/* Are weighings fit to be fitted? Finds what people get wrong when they hang weights, and says which reading
 * to look at and what to do. Pure arrays in. */
#ifndef ANALYZE_NUMERICS_CALIBRATION_CHECK_H
#define ANALYZE_NUMERICS_CALIBRATION_CHECK_H

#include "rig/base/err.h"

#include <stddef.h>

#define CALIBRATION_CHECK_READINGS_MAX 2000

/* In the order of weighing. Readings are in whatever unit the converter gives: counts, or mV/V. */
struct calibration_readings {
    size_t n;
    const double *load_n;
    const double *reading_counts;
    const int *direction; /* +1: loads put on one after another; -1: taken off. NULL: all +1 */
    const int *cycle;     /* which time up and down; NULL: all the same */
    /* Standard uncertainty of each load that is its own: the tolerance of the weight. The same at equal
     * loads, where the error is taken to be the same one. What all loads share, such as gravity and air, does
     * not belong here but in a budget. NULL: none. */
    const double *load_standard_uncertainty_n;
    double reading_low_counts, reading_high_counts; /* the converter saturates; both 0: not known */
};

/* Two loads this close, relative to the greatest, are the same load. */
#define CALIBRATION_CHECK_SAME_LOAD 1e-9

/* Readings are named by their place, from 1, in the texts.
 * ERR_FILE, when the rows need correcting: a number that is not finite, a direction other than +1 and -1, a
 * run (rows of one cycle and direction) whose loads go back and forth (but starting again from its first load
 * is a new run), a load that occurs twice in a run where others occur once, and a load or reading that is far
 * off what all others say (leave-one-out; with a hint when the factor is that of pounds and kilograms or the
 * like). ERR_NO_ANSWER, when the weighing needs repeating: fewer than 3 different loads, readings that stand
 * at the end of the converter's range or stay the same at the last loads, and 3 loads that are far off any
 * line, so that one of them must be wrong. */
enum err_code calibration_check(const struct calibration_readings *readings, struct err *e);

/* Number each reading's load: groups[i] is 0 to *loads - 1 in order of first appearance. */
void calibration_check_group(const struct calibration_readings *readings, size_t *groups, size_t *loads);

#endif
