/* Strict reading of numbers from text: the whole word must be the number, in range and finite.
 * Never depends on the locale (the programs never call setlocale for LC_NUMERIC). */
#ifndef RIG_BASE_NUMBER_H
#define RIG_BASE_NUMBER_H

#include "rig/base/err.h"

/* Read a finite decimal number between low and high inclusive from the whole of text into *value.
 * what names it in the message ("speed_mm_s"), unit its unit ("mm/s", or "" for none).
 * ERR_USAGE with a message that names the word and the allowed range; *value is then untouched. */
enum err_code number_read_double(const char *text, double low, double high, const char *what,
                                 const char *unit, double *value, struct err *e);

/* The same for a whole decimal number (no fraction, no exponent, no leading blanks). */
enum err_code number_read_int64(const char *text, int64_t low, int64_t high, const char *what,
                                const char *unit, int64_t *value, struct err *e);

#endif
