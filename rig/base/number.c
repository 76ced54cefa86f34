#include "rig/base/number.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *unit_gap(const char *unit)
{
    return unit[0] == 0 ? "" : " ";
}

/* strtod also takes hexadecimal, "inf" and "nan"; a decimal number has only these characters. */
static int is_decimal(const char *text)
{
    return text[0] != 0 && text[strspn(text, "0123456789+-.eE")] == 0;
}

enum err_code number_read_double(const char *text, double low, double high, const char *what,
                                 const char *unit, double *value, struct err *e)
{
    char *end = NULL;
    double number;
    if (!is_decimal(text))
        return err_set(e, ERR_USAGE, "%s: '%.60s' is not a number", what, text);
    errno = 0;
    number = strtod(text, &end);
    if (end == text || *end != 0)
        return err_set(e, ERR_USAGE, "%s: '%.60s' is not a number", what, text);
    if (!isfinite(number) || number < low || number > high)
        return err_set(e, ERR_USAGE, "%s: %.60s%s%s is outside %g to %g%s%s", what, text, unit_gap(unit),
                       unit, low, high, unit_gap(unit), unit);
    *value = number;
    return ERR_OK;
}

enum err_code number_read_int64(const char *text, int64_t low, int64_t high, const char *what,
                                const char *unit, int64_t *value, struct err *e)
{
    const char *digits = text[0] == '-' || text[0] == '+' ? text + 1 : text;
    char *end = NULL;
    long long number;
    if (!isdigit((unsigned char)digits[0]) || digits[strspn(digits, "0123456789")] != 0)
        return err_set(e, ERR_USAGE, "%s: '%.60s' is not a whole number", what, text);
    errno = 0;
    number = strtoll(text, &end, 10);
    if (errno == ERANGE || number < low || number > high)
        return err_set(e, ERR_USAGE, "%s: %.60s%s%s is outside %lld to %lld%s%s", what, text, unit_gap(unit),
                       unit, (long long)low, (long long)high, unit_gap(unit), unit);
    *value = number;
    return ERR_OK;
}
