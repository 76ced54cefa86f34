#include "capture/force_text.h"

#include "capture/text_line.h"
#include "rig/base/number.h"

#include <ctype.h>
#include <math.h>
#include <regex.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define BLANKS  " \t"
#define DIGITS  "0123456789"
#define NUMBERS 1e9 /* more is no reading of a gauge */

struct force_text {
    struct bench_force force;
    regex_t regex;
    bool have_regex;
    int32_t counts_max;
};

/* What gauges write behind a number, and the unit that is meant (the first spelling is the unit's own name).
 * Those without one of ours are known only to be another unit. */
static const struct {
    const char *spelling;
    enum bench_unit unit;
} SPELLINGS[] = {{"N", BENCH_UNIT_N},     {"kgf", BENCH_UNIT_KGF}, {"kg", BENCH_UNIT_KGF},
                 {"kp", BENCH_UNIT_KGF},  {"gf", BENCH_UNIT_GF},   {"g", BENCH_UNIT_GF},
                 {"lbf", BENCH_UNIT_LBF}, {"lb", BENCH_UNIT_LBF},  {"lbs", BENCH_UNIT_LBF},
                 {"kN", BENCH_UNITS},     {"mN", BENCH_UNITS},     {"ozf", BENCH_UNITS},
                 {"oz", BENCH_UNITS},     {"daN", BENCH_UNITS},    {"pdl", BENCH_UNITS},
                 {"dyn", BENCH_UNITS},    {"t", BENCH_UNITS}};

enum err_code force_text_new(const struct bench_force *force, struct force_text **text, struct err *e)
{
    struct force_text *t = calloc(1, sizeof *t);
    *text = NULL;
    if (t == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    t->force = *force;
    t->counts_max = (int32_t)llround(force->capacity / force->resolution);
    if (force->column == 0) {
        if (regcomp(&t->regex, force->pattern, REG_EXTENDED) != 0 || t->regex.re_nsub != 1) {
            force_text_free(t);
            return err_set(e, ERR_CALLER, "a pattern that was not checked");
        }
        t->have_regex = true;
    }
    *text = t;
    return ERR_OK;
}

void force_text_free(struct force_text *text)
{
    if (text == NULL)
        return;
    if (text->have_regex)
        regfree(&text->regex);
    free(text);
}

int32_t force_text_counts_max(const struct force_text *text)
{
    return text->counts_max;
}

/* Put the column into field, without the blanks around it. */
static bool find_column(const struct bench_force *f, const char *line, char *field)
{
    char separators[] = {f->separator, 0};
    const char *split = f->separator != 0 ? separators : BLANKS ";";
    const char *at = line;
    size_t length;
    if (f->separator == 0)
        at += strspn(at, split);
    for (int i = 1; i < f->column; i++) {
        at += strcspn(at, split);
        if (*at == 0)
            return false;
        at += f->separator != 0 ? 1 : strspn(at, split);
    }
    at += strspn(at, BLANKS);
    /* Without a separator of its own a unit stands behind the number as a word, so it is wanted too. */
    length = f->separator != 0 ? strcspn(at, split) : strlen(at);
    memcpy(field, at, length);
    field[length] = 0;
    return length > 0;
}

/* Put into field what the group matched; *rest: what stands behind it in line. */
static bool find_group(const struct force_text *t, const char *line, char *field, const char **rest)
{
    regmatch_t match[2];
    size_t length;
    if (regexec(&t->regex, line, 2, match, 0) != 0 || match[1].rm_so < 0)
        return false;
    length = (size_t)(match[1].rm_eo - match[1].rm_so);
    memcpy(field, line + match[1].rm_so, length);
    field[length] = 0;
    *rest = line + match[1].rm_eo;
    return true;
}

/* The number that field begins with: [sign] [blanks] digits. Its characters go to number, with a point for
 * the decimal sign; returns how many of field it takes, 0 when there is none. *comma: the decimal sign is the
 * other one. */
static size_t take_number(const char *field, bool decimal_comma, char *number, size_t size, bool *comma)
{
    size_t at = strspn(field, BLANKS);
    size_t n = 0;
    size_t body;
    *comma = false;
    if (field[at] == '+' || field[at] == '-') {
        number[n++] = field[at++];
        at += strspn(field + at, BLANKS);
    }
    body = strspn(field + at, DIGITS ".,");
    if (body == 0 || n + body + 8 > size || strcspn(field + at, DIGITS) >= body)
        return 0;
    for (size_t i = 0; i < body; i++) {
        char c = field[at + i];
        *comma = *comma || c == (decimal_comma ? '.' : ',');
        number[n++] = (char)(c == ',' ? '.' : c);
    }
    at += body;
    if ((field[at] == 'e' || field[at] == 'E') && field[at + 1] != 0) {
        size_t sign = field[at + 1] == '+' || field[at + 1] == '-' ? 1 : 0;
        size_t digits = strspn(field + at + 1 + sign, DIGITS);
        if (digits > 0 && digits <= 2) {
            memcpy(number + n, field + at, 1 + sign + digits);
            n += 1 + sign + digits;
            at += 1 + sign + digits;
        }
    }
    number[n] = 0;
    return at;
}

/* The word behind the number, if it is a unit other than the stated one. */
static bool is_other_unit(const struct force_text *t, const char *rest, char unit[8])
{
    size_t length;
    rest += strspn(rest, BLANKS ";");
    for (length = 0; isalpha((unsigned char)rest[length]);)
        length++;
    if (length == 0 || length >= 8)
        return false;
    memcpy(unit, rest, length);
    unit[length] = 0;
    for (size_t i = 0; i < sizeof SPELLINGS / sizeof SPELLINGS[0]; i++) {
        /* Only the newton is told from other words by its capital letter. */
        bool same = strchr(SPELLINGS[i].spelling, 'N') != NULL ? strcmp(unit, SPELLINGS[i].spelling) == 0
                                                               : strcasecmp(unit, SPELLINGS[i].spelling) == 0;
        if (same)
            return SPELLINGS[i].unit != t->force.unit;
    }
    return false;
}

static struct force_line over_range(const struct force_text *t, bool negative)
{
    return (struct force_line){.kind = FORCE_LINE_OVER_RANGE,
                               .counts = negative ? -t->counts_max : t->counts_max};
}

/* Words for "over range" where the number should be: as stated, else as they commonly are. */
static bool says_over_range(const struct force_text *t, const char *line)
{
    static const char *const WORDS[] = {"O.L", "OVER", "OVL", "OVLD"};
    if (strstr(line, t->force.over_range) != NULL)
        return true;
    for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++) {
        if (strcasestr(line, WORDS[i]) != NULL)
            return true;
    }
    return false;
}

/* A line of another form may still tell what is wrong: a decimal comma keeps a pattern from matching. */
static enum force_line_kind kind_of_stranger(const struct force_text *t, const char *line)
{
    char other = t->force.decimal_comma ? '.' : ',';
    for (const char *p = strchr(line, other); p != NULL; p = strchr(p + 1, other)) {
        if (p > line && isdigit((unsigned char)p[-1]) && isdigit((unsigned char)p[1]))
            return FORCE_LINE_COMMA;
    }
    return FORCE_LINE_UNREADABLE;
}

struct force_line force_text_read(const struct force_text *t, const char *line)
{
    struct force_line result = {.kind = FORCE_LINE_UNREADABLE};
    char field[TEXT_LINE_MAX + 1];
    char number[64];
    struct err ignored;
    double reading, counts;
    const char *rest = NULL;
    size_t taken = 0;
    bool comma = false;
    bool negative = strchr(line, '-') != NULL;
    if (strlen(line) > TEXT_LINE_MAX)
        return result;
    if (!text_line_is_text(line)) {
        result.kind = FORCE_LINE_NOT_TEXT;
        return result;
    }
    if (t->have_regex ? find_group(t, line, field, &rest) : find_column(&t->force, line, field))
        taken = take_number(field, t->force.decimal_comma, number, sizeof number, &comma);
    if (taken == 0) {
        if (says_over_range(t, line))
            return over_range(t, negative == (t->force.scale > 0));
        result.kind = kind_of_stranger(t, line);
        return result;
    }
    /* A group that was made for a decimal point ends before a comma. */
    if (comma || (rest != NULL && field[taken] == 0 && rest[0] == (t->force.decimal_comma ? '.' : ',') &&
                  isdigit((unsigned char)rest[1]))) {
        result.kind = FORCE_LINE_COMMA;
        return result;
    }
    /* What is stuck to the number and no letter makes it none: 12:30, 1/2. */
    if (field[taken] != 0 && strchr(BLANKS ";", field[taken]) == NULL &&
        !isalpha((unsigned char)field[taken]))
        return result;
    if (number_read_double(number, -NUMBERS, NUMBERS, "", "", &reading, &ignored) != ERR_OK)
        return result;
    if (is_other_unit(t, field[taken] != 0 || rest == NULL ? field + taken : rest, result.unit)) {
        result.kind = FORCE_LINE_OTHER_UNIT;
        return result;
    }
    /* Rounded before it is held against the end of the range, at which no reading may stand. */
    counts = round(reading / t->force.resolution * (t->force.scale < 0 ? -1 : 1));
    if (fabs(counts) >= t->counts_max)
        return over_range(t, counts < 0);
    result.kind = FORCE_LINE_READING;
    result.counts = (int32_t)counts;
    result.force_n = result.counts * bench_file_count_n(&t->force);
    return result;
}

const char *force_text_kind(enum force_line_kind kind)
{
    switch (kind) {
    case FORCE_LINE_READING:
        return NULL;
    case FORCE_LINE_OVER_RANGE:
        return "is over range";
    case FORCE_LINE_OTHER_UNIT:
        return "has another unit than the bench file states";
    case FORCE_LINE_COMMA:
        return "has another decimal sign than the bench file states";
    case FORCE_LINE_NOT_TEXT:
        return "holds bytes that are no text; is the baud rate right?";
    case FORCE_LINE_UNREADABLE:
        return "has no number where the bench file says";
    }
    return NULL;
}
