/* How numbers and foreign text are written: rounding to what the uncertainty allows, and the escaping that
 * each kind of output needs. Text from a data set (names, descriptions, flags) is hostile until it has passed
 * one of the writers below. Nothing here keeps state or reads files. */
#ifndef ANALYZE_REPORT_TEXT_FORMAT_H
#define ANALYZE_REPORT_TEXT_FORMAT_H

#include "analyze/numerics/quantity.h"

#include <stddef.h>
#include <stdio.h>

#define TEXT_QUANTITY_SIZE                                                                                   \
    160 /* bytes that hold any text_quantity or text_interval with a unit of up to 16 bytes */

/* A unit as people write it: "mm³/s" for "mm3/s", "" for "1". Constant text, or unit itself. */
const char *text_unit(const char *unit);

/* Decimal places that show two significant digits of uncertainty: 1 for 1.6, 0 for 12.3, -1 for 123. An
 * uncertainty that is not above zero or not finite gives 6. */
int text_decimals(double uncertainty);

/* value with that many decimal places; a negative count rounds to tens, hundreds and so on. Never "-0". */
char *text_rounded(double value, int decimals, char *buffer, size_t size);

/* value with that many significant digits and no exponent in the ordinary range: "0.0412", "1250", "10". */
char *text_number(double value, int significant, char *buffer, size_t size);

/* "84.3 N ± 1.6 N", where ± gives the half width of the 95 % interval at two significant digits. An interval
 * that is not symmetric is written out: "84.3 N (95 % interval 80.1 N to 85.2 N)". A censored value is
 * rounded down: "at least 84.3 N". An absent one is "none". unit "" for a bare number. Returns buffer. */
char *text_quantity(const struct quantity *q, const char *unit, char *buffer, size_t size);

/* "k = 2.37, 95 %": what the standard uncertainty was multiplied by for the interval. "" without an interval.
 * Returns buffer. */
char *text_coverage(const struct quantity *q, char *buffer, size_t size);

/* The two together: "84.3 N ± 1.6 N (k = 2.37, 95 %)". Returns buffer. */
char *text_quantity_full(const struct quantity *q, const char *unit, char *buffer, size_t size);

/* "82.7 N to 85.9 N", rounded as text_quantity rounds; "not known" without an interval. Returns buffer. */
char *text_interval(const struct quantity *q, const char *unit, char *buffer, size_t size);

/* "p < 0.001" or "p = 0.042". Returns buffer. */
char *text_p_value(double p, char *buffer, size_t size);

/* A p value, a speed or another number without uncertainty at three significant digits with its unit: "10
 * mm/s". */
char *text_measure(double value, const char *unit, char *buffer, size_t size);

/* A number that somebody stated, such as a diameter: all of it, up to six significant digits, with its unit.
 */
char *text_stated(double value, const char *unit, char *buffer, size_t size);

/* "52.4183 counts/N, standard uncertainty 0.0021 counts/N": two digits of the latter (JCGM 100, 7.2.6), and
 * as many places of the former. Returns buffer. */
char *text_with_uncertainty(double value, double standard_uncertainty, const char *unit, char *buffer,
                            size_t size);

/* Copy of text, at most size - 1 bytes, in which control characters, bytes that are not UTF-8, and the
 * characters that turn the direction of writing are '?'. Returns buffer. */
char *text_clean(const char *text, char *buffer, size_t size);

/* Text as HTML or XML text, fit for element content and for quoted attributes. */
void text_html(FILE *out, const char *text);

/* Text as a single-quoted gnuplot string, quotes included. gnuplot does not run back-quoted text, expand
 * macros or read backslashes in single quotes; a line break would end the statement and is replaced. */
void text_gnuplot(FILE *out, const char *text);

/* Text as one CSV field by RFC 4180. A text that a spreadsheet would take for a formula, because = + - or @
 * comes first or follows blanks and apostrophes only, gets one apostrophe in front; to take it off again
 * wherever such a text follows it gives every text back as it was. */
void text_csv(FILE *out, const char *text);

/* Number as a CSV field with up to 10 significant digits; not finite: an empty field. */
void text_csv_number(FILE *out, double value);

/* Letters, digits, full stop and hyphen of text, everything else as '_': a CSV field that gnuplot, which does
 * not know doubled quotes, reads as written. */
void text_csv_plain(FILE *out, const char *text);

#endif
