/* Dates as the files write them (RFC 3339, a date alone or with a time) as numbers, to tell how old one thing
 * was at the time of another. Pure: the clock is not read here. */
#ifndef DATASETS_FORMAT_DATE_TIME_H
#define DATASETS_FORMAT_DATE_TIME_H

#include <stdbool.h>
#include <stdint.h>

#define DATE_TIME_SIZE 24 /* bytes of what date_time_write makes */

/* Seconds since 1970-01-01T00:00:00Z into *unix_s. A date alone stands for its first second in UTC; fractions
 * of a second are cut off, and a leap second counts as the one after it. false, with *unix_s untouched, when
 * text is no such date. */
bool date_time_read(const char *text, int64_t *unix_s);

/* "2031-04-05T16:07:08Z" into text (DATE_TIME_SIZE bytes); years 0 to 9999, others are cut to these. Returns
 * text. */
char *date_time_write(int64_t unix_s, char *text);

#endif
