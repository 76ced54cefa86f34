#include "analyze/report/text_format.h"

#include "rig/base/err.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Longest foreign text that is shown; everything in the analysis structs is shorter. */
#define CLEAN_SIZE 8192

const char *text_unit(const char *unit)
{
    static const struct {
        const char *plain, *shown;
    } UNITS[] = {{"1", ""},     {"mm3/s", "mm³/s"}, {"mm2", "mm²"}, {"um", "µm"},
                 {"Cel", "°C"}, {"deg", "°"},       {"N.m", "N m"}, {"N (mm3/s)^-n", "N/(mm³/s)^n"}};
    for (size_t i = 0; i < sizeof UNITS / sizeof UNITS[0]; i++) {
        if (strcmp(UNITS[i].plain, unit) == 0)
            return UNITS[i].shown;
    }
    return unit;
}

int text_decimals(double uncertainty)
{
    char digits[32];
    const char *exponent;
    if (!isfinite(uncertainty) || uncertainty <= 0)
        return 6;
    /* Rounding first, exponent second: 0.996 has its two digits in "1.0", not in "0.99". */
    snprintf(digits, sizeof digits, "%.1e", uncertainty);
    exponent = strchr(digits, 'e');
    return 1 - (exponent != NULL ? (int)strtol(exponent + 1, NULL, 10) : 0);
}

static char *drop_negative_zero(char *text)
{
    if (text[0] == '-' && text[1 + strspn(text + 1, "0.")] == 0)
        memmove(text, text + 1, strlen(text));
    return text;
}

char *text_rounded(double value, int decimals, char *buffer, size_t size)
{
    if (!isfinite(value)) {
        snprintf(buffer, size, "not known");
    } else if (fabs(value) >= 1e12 || decimals > 12 || decimals < -12) {
        snprintf(buffer, size, "%.3g", value);
    } else if (decimals >= 0) {
        snprintf(buffer, size, "%.*f", decimals, value);
    } else {
        double step = pow(10, -decimals);
        snprintf(buffer, size, "%.0f", round(value / step) * step);
    }
    return drop_negative_zero(buffer);
}

/* Decimal places of a number shown with that many significant digits. */
static int places_of(double value, int significant)
{
    char digits[40];
    const char *exponent;
    if (!isfinite(value) || value == 0)
        return 0;
    snprintf(digits, sizeof digits, "%.*e", significant - 1, value);
    exponent = strchr(digits, 'e');
    return significant - 1 - (exponent != NULL ? (int)strtol(exponent + 1, NULL, 10) : 0);
}

char *text_number(double value, int significant, char *buffer, size_t size)
{
    text_rounded(value, places_of(value, significant), buffer, size);
    if (strchr(buffer, '.') != NULL && strchr(buffer, 'e') == NULL) {
        size_t length = strlen(buffer);
        while (length > 0 && buffer[length - 1] == '0')
            buffer[--length] = 0;
        if (length > 0 && buffer[length - 1] == '.')
            buffer[--length] = 0;
    }
    return drop_negative_zero(buffer);
}

static const char *gap(const char *unit)
{
    return unit[0] == 0 ? "" : " ";
}

static bool has_interval(const struct quantity *q)
{
    return q->present && !q->at_least && isfinite(q->value) && isfinite(q->low_95) && isfinite(q->high_95) &&
           q->high_95 > q->low_95;
}

char *text_interval(const struct quantity *q, const char *unit, char *buffer, size_t size)
{
    char low[48], high[48];
    int decimals;
    if (!has_interval(q)) {
        snprintf(buffer, size, "not known");
        return buffer;
    }
    decimals = text_decimals((q->high_95 - q->low_95) / 2);
    text_rounded(q->low_95, decimals, low, sizeof low);
    text_rounded(q->high_95, decimals, high, sizeof high);
    snprintf(buffer, size, "%s%s%s to %s%s%s", low, gap(unit), unit, high, gap(unit), unit);
    return buffer;
}

static char *text_at_least(double value, const char *unit, char *buffer, size_t size)
{
    char number[48];
    int places = value > 0 && isfinite(value) ? 2 - (int)floor(log10(value)) : 0;
    if (isfinite(value) && places > -12 && places < 12) {
        /* A bound may be weakened by rounding, never strengthened. */
        double step = pow(10, -places);
        double rounded = floor(value / step * (1 + 1e-12)) * step;
        text_number(rounded, 3, number, sizeof number);
    } else {
        text_number(value, 3, number, sizeof number);
    }
    snprintf(buffer, size, "at least %s%s%s", number, gap(unit), unit);
    return buffer;
}

char *text_quantity(const struct quantity *q, const char *unit, char *buffer, size_t size)
{
    char value[48], half[48], interval[96];
    double half_width;
    int decimals;
    if (!q->present) {
        snprintf(buffer, size, "none");
        return buffer;
    }
    if (q->at_least)
        return text_at_least(q->value, unit, buffer, size);
    if (!has_interval(q)) {
        text_number(q->value, 3, value, sizeof value);
        snprintf(buffer, size, "%s%s%s", value, gap(unit), unit);
        return buffer;
    }
    half_width = (q->high_95 - q->low_95) / 2;
    decimals = text_decimals(half_width);
    text_rounded(q->value, decimals, value, sizeof value);
    text_rounded(half_width, decimals, half, sizeof half);
    if (fabs((q->high_95 + q->low_95) / 2 - q->value) <= 0.05 * half_width)
        snprintf(buffer, size, "%s%s%s ± %s%s%s", value, gap(unit), unit, half, gap(unit), unit);
    else
        snprintf(buffer, size, "%s%s%s (95 %% interval %s)", value, gap(unit), unit,
                 text_interval(q, unit, interval, sizeof interval));
    return buffer;
}

char *text_coverage(const struct quantity *q, char *buffer, size_t size)
{
    buffer[0] = 0;
    if (has_interval(q) && q->standard_uncertainty > 0)
        snprintf(buffer, size, "k = %.2f, 95 %%", (q->high_95 - q->low_95) / 2 / q->standard_uncertainty);
    return buffer;
}

char *text_quantity_full(const struct quantity *q, const char *unit, char *buffer, size_t size)
{
    char coverage[48];
    size_t used;
    text_quantity(q, unit, buffer, size);
    used = strlen(buffer);
    if (text_coverage(q, coverage, sizeof coverage)[0] != 0)
        snprintf(buffer + used, size - used, " (%s)", coverage);
    return buffer;
}

char *text_p_value(double p, char *buffer, size_t size)
{
    char number[48];
    if (!isfinite(p))
        snprintf(buffer, size, "p not known");
    else if (p < 0.001)
        snprintf(buffer, size, "p < 0.001");
    else
        snprintf(buffer, size, "p = %s", text_number(p, 2, number, sizeof number));
    return buffer;
}

char *text_measure(double value, const char *unit, char *buffer, size_t size)
{
    char number[48];
    snprintf(buffer, size, "%s%s%s", text_number(value, 3, number, sizeof number), gap(unit), unit);
    return buffer;
}

char *text_stated(double value, const char *unit, char *buffer, size_t size)
{
    char number[48];
    snprintf(buffer, size, "%s%s%s", text_number(value, 6, number, sizeof number), gap(unit), unit);
    return buffer;
}

char *text_with_uncertainty(double value, double standard_uncertainty, const char *unit, char *buffer,
                            size_t size)
{
    char number[48], uncertainty[48];
    int decimals = text_decimals(standard_uncertainty);
    snprintf(buffer, size, "%s %s, standard uncertainty %s %s",
             text_rounded(value, decimals, number, sizeof number), unit,
             text_rounded(standard_uncertainty, decimals, uncertainty, sizeof uncertainty), unit);
    return buffer;
}

char *text_clean(const char *text, char *buffer, size_t size)
{
    snprintf(buffer, size, "%s", text);
    return err_clean_text(buffer);
}

void text_html(FILE *out, const char *text)
{
    char clean[CLEAN_SIZE];
    for (const char *p = text_clean(text, clean, sizeof clean); *p != 0; p++) {
        switch (*p) {
        case '&':
            fputs("&amp;", out);
            break;
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        case '\'':
            fputs("&#39;", out);
            break;
        default:
            fputc(*p, out);
        }
    }
}

void text_gnuplot(FILE *out, const char *text)
{
    char clean[CLEAN_SIZE];
    fputc('\'', out);
    for (const char *p = text_clean(text, clean, sizeof clean); *p != 0; p++) {
        if (*p == '\'')
            fputc('\'', out);
        fputc(*p, out);
    }
    fputc('\'', out);
}

/* Whether a spreadsheet might work a text out. Blanks in front do not stop every one of them; apostrophes are
 * looked through so that the one that is added can be told from those of the text. The wide forms count where
 * the keyboard has them. */
static bool like_formula(const char *text)
{
    static const char *const signs[] = {
        "=", "+", "-", "@", "\xEF\xBC\x9D", "\xEF\xBC\x8B", "\xEF\xBC\x8D", "\xEF\xBC\xA0"};
    text += strspn(text, "' ");
    for (size_t i = 0; i < sizeof signs / sizeof signs[0]; i++) {
        if (strncmp(text, signs[i], strlen(signs[i])) == 0)
            return true;
    }
    return false;
}

void text_csv(FILE *out, const char *text)
{
    char clean[CLEAN_SIZE];
    bool formula;
    text_clean(text, clean, sizeof clean);
    formula = like_formula(clean);
    if (!formula && strpbrk(clean, ",\"") == NULL) {
        fputs(clean, out);
        return;
    }
    fputs(formula ? "\"'" : "\"", out);
    for (const char *p = clean; *p != 0; p++) {
        if (*p == '"')
            fputc('"', out);
        fputc(*p, out);
    }
    fputc('"', out);
}

void text_csv_number(FILE *out, double value)
{
    if (isfinite(value))
        fprintf(out, "%.10g", value == 0 ? 0.0 : value);
}

void text_csv_plain(FILE *out, const char *text)
{
    for (const char *p = text; *p != 0; p++)
        fputc(isascii(*p) && (isalnum((unsigned char)*p) || *p == '.' || (*p == '-' && p > text)) ? *p : '_',
              out);
}
