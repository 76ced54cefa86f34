/* results.csv: one tidy row for each run, for spreadsheets and statistics programs. RFC 4180, in UTF-8 with
 * the byte order mark in front, without which spreadsheets guess; a full stop is the decimal sign; names of
 * columns carry the unit; an empty field is an absent value. No field is a formula (text_csv). */
#ifndef ANALYZE_REPORT_REPORT_CSV_H
#define ANALYZE_REPORT_REPORT_CSV_H

#include "analyze/analysis.h"

#include <stdio.h>

void report_csv_write(const struct session *session, FILE *out);

#endif
