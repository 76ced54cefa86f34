#include "datasets/format/date_time.h"

#include <stdio.h>
#include <string.h>
#include <time.h>

/* Match text against a pattern in which 'd' stands for a digit; returns what follows, or NULL. */
static const char *match(const char *text, const char *pattern)
{
    for (; *pattern != 0; pattern++, text++) {
        if (*pattern == 'd' ? *text < '0' || *text > '9' : *text != *pattern)
            return NULL;
    }
    return text;
}

static int two_digits(const char *text)
{
    return (text[0] - '0') * 10 + text[1] - '0';
}

static int days_of_month(int year, int month)
{
    static const int DAYS[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return DAYS[month - 1] + (month == 2 && leap);
}

/* Seconds that local time is ahead of UTC. text: "Z" or "+02:00". */
static bool read_offset(const char *text, int64_t *offset_s)
{
    const char *end;
    if (strcmp(text, "Z") == 0) {
        *offset_s = 0;
        return true;
    }
    if (*text != '+' && *text != '-')
        return false;
    end = match(text + 1, "dd:dd");
    if (end == NULL || *end != 0 || two_digits(text + 1) > 23 || two_digits(text + 4) > 59)
        return false;
    *offset_s = (*text == '-' ? -60 : 60) * (two_digits(text + 1) * 60 + two_digits(text + 4));
    return true;
}

bool date_time_read(const char *text, int64_t *unix_s)
{
    struct tm utc = {0};
    int64_t offset_s = 0;
    const char *p = match(text, "dddd-dd-dd");
    int year, month, day;
    if (p == NULL)
        return false;
    year = two_digits(text) * 100 + two_digits(text + 2);
    month = two_digits(text + 5);
    day = two_digits(text + 8);
    if (month < 1 || month > 12 || day < 1 || day > days_of_month(year, month))
        return false;
    utc.tm_year = year - 1900;
    utc.tm_mon = month - 1;
    utc.tm_mday = day;
    if (*p != 0) {
        p = match(p, "Tdd:dd:dd");
        if (p == NULL)
            return false;
        utc.tm_hour = two_digits(text + 11);
        utc.tm_min = two_digits(text + 14);
        utc.tm_sec = two_digits(text + 17);
        if (utc.tm_hour > 23 || utc.tm_min > 59 || utc.tm_sec > 60)
            return false;
        if (*p == '.') {
            size_t digits = strspn(p + 1, "0123456789");
            if (digits == 0)
                return false;
            p += 1 + digits;
        }
        if (!read_offset(p, &offset_s))
            return false;
    }
    *unix_s = (int64_t)timegm(&utc) - offset_s;
    return true;
}

char *date_time_write(int64_t unix_s, char *text)
{
    const int64_t low_s = INT64_C(-62167219200), high_s = INT64_C(253402300799);
    time_t seconds = (time_t)(unix_s < low_s ? low_s : unix_s > high_s ? high_s : unix_s);
    struct tm utc;
    gmtime_r(&seconds, &utc);
    snprintf(text, DATE_TIME_SIZE, "%04u-%02u-%02uT%02u:%02u:%02uZ", (unsigned)(utc.tm_year + 1900) % 10000u,
             (unsigned)(utc.tm_mon + 1) % 100u, (unsigned)utc.tm_mday % 100u, (unsigned)utc.tm_hour % 100u,
             (unsigned)utc.tm_min % 100u, (unsigned)utc.tm_sec % 100u);
    return text;
}
