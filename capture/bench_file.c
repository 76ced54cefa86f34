#include "capture/bench_file.h"

#include "capture/link.h"
#include "datasets/format/yaml_strict.h"
#include "rig/wire/message.h"

#include <ctype.h>
#include <math.h>
#include <regex.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COLUMN_MAX       64
#define COUNTS_MAX       8388607 /* what a sample on the wire can hold */
#define RATE_MIN_HZ      1
#define RATE_MAX_HZ      1000
#define LATENCY_MAX_S    0.5
#define IN_FLIGHT_MAX    64
#define STEPS_PER_MM_MAX 20000.0
#define REPEATS_MAX      1000 /* all counts {...} of a pattern multiplied: five times the longest line */
#define REPEATS_TEXT     "1000"

const char *const BENCH_UNIT_NAMES[BENCH_UNITS] = {"N", "kgf", "gf", "lbf"};
const double BENCH_UNIT_N_PER[BENCH_UNITS] = {1, 9.80665, 0.00980665, 4.4482216152605};

double bench_file_count_n(const struct bench_force *force)
{
    return force->resolution * fabs(force->scale) * BENCH_UNIT_N_PER[force->unit];
}

static enum err_code complain_key(const struct yaml_node *mapping, const char *key, const char *sentence,
                                  struct err *e)
{
    const struct yaml_node *node;
    if (yaml_get_node(mapping, key, false, &node, e) != ERR_OK)
        return e->code;
    return yaml_complain(node != NULL ? node : mapping, e, "%s: %s", key, sentence);
}

/* ---- force ---- */

/* The greatest count of {n}, {n,} or {n,m}, of which counts is what stands behind the bracket. */
static long greatest_count(const char *counts)
{
    long least = strtol(counts, NULL, 10);
    const char *comma = counts + strspn(counts, "0123456789");
    long most = *comma == ',' && isdigit((unsigned char)comma[1]) ? strtol(comma + 1, NULL, 10) : 1;
    return most > least ? most : least;
}

/* A pattern is matched against every line, while the motor may be turning. Back references make the C
 * library's matching take time without bound ((.?){200}\1 does not end on a line of 200 bytes), and large
 * counts within one another take gigabytes to compile; no number in a line needs either. Brackets [...] are
 * looked at like anything else, so that never less is seen than the C library sees. NULL: it is fit. */
static const char *costly_part(const char *pattern)
{
    long product = 1;
    for (const char *p = pattern; *p != 0; p++) {
        if (*p == '\\' && isdigit((unsigned char)p[1]))
            return "a back reference takes too long to match; say it without";
        if (*p == '\\' && p[1] != 0) {
            p++;
        } else if (*p == '{' && (isdigit((unsigned char)p[1]) || p[1] == ',')) {
            long count = greatest_count(p + 1);
            if (count > REPEATS_MAX / product)
                return "its counts {...}, multiplied, come to more than " REPEATS_TEXT;
            product *= count > 1 ? count : 1;
        }
    }
    return NULL;
}

static enum err_code check_pattern(const struct yaml_node *m, const char *pattern, struct err *e)
{
    regex_t regex;
    char why[160];
    const char *costly = costly_part(pattern);
    size_t groups;
    int result;
    if (costly != NULL)
        return complain_key(m, "pattern", costly, e);
    result = regcomp(&regex, pattern, REG_EXTENDED);
    if (result != 0) {
        char sentence[200];
        regerror(result, &regex, why, sizeof why);
        snprintf(sentence, sizeof sentence, "no regular expression: %s", why);
        return complain_key(m, "pattern", sentence, e);
    }
    groups = regex.re_nsub;
    regfree(&regex);
    if (groups != 1)
        return complain_key(m, "pattern", "it needs exactly one group (...), around the number", e);
    return ERR_OK;
}

static enum err_code read_line_form(const struct yaml_node *m, struct bench_force *f, struct err *e)
{
    const struct yaml_node *column, *pattern;
    char text[BENCH_FILE_WORD_MAX + 1] = "";
    char decimal[16] = "point";
    enum err_code code;
    if ((code = yaml_get_node(m, "column", false, &column, e)) != ERR_OK ||
        (code = yaml_get_node(m, "pattern", false, &pattern, e)) != ERR_OK)
        return code;
    if ((column == NULL) == (pattern == NULL))
        return yaml_complain(column != NULL ? column : m, e,
                             "state where the number stands in a line: either 'column' or 'pattern'");
    if ((code = yaml_get_int(m, "column", false, 1, COLUMN_MAX, &f->column, e)) != ERR_OK ||
        (code = yaml_get_text(m, "pattern", false, f->pattern, sizeof f->pattern, e)) != ERR_OK ||
        (code = yaml_get_text(m, "separator", false, text, sizeof text, e)) != ERR_OK ||
        (code = yaml_get_text(m, "decimal", false, decimal, sizeof decimal, e)) != ERR_OK)
        return code;
    if (strcmp(decimal, "point") != 0 && strcmp(decimal, "comma") != 0)
        return complain_key(m, "decimal", "either 'point' or 'comma'", e);
    f->decimal_comma = decimal[0] == 'c';
    if (text[0] != 0 && (text[1] != 0 || isalnum((unsigned char)text[0]) || strchr("+-.", text[0]) != NULL))
        return complain_key(m, "separator", "one character that no number holds, in quotes", e);
    if (text[0] == ',' && f->decimal_comma)
        return complain_key(m, "separator", "a comma cannot be the decimal sign as well", e);
    if (text[0] != 0 && f->column == 0)
        return complain_key(m, "separator", "belongs to 'column', not to 'pattern'", e);
    f->separator = text[0];
    return f->column == 0 ? check_pattern(m, f->pattern, e) : ERR_OK;
}

static enum err_code read_unit(const struct yaml_node *m, struct bench_force *f, struct err *e)
{
    char text[16] = "";
    char sign[16] = "push-positive";
    enum err_code code;
    if ((code = yaml_get_text(m, "unit", true, text, sizeof text, e)) != ERR_OK ||
        (code = yaml_get_double(m, "scale", false, 1e-6, 1e6, "", &f->scale, e)) != ERR_OK ||
        (code = yaml_get_text(m, "sign", false, sign, sizeof sign, e)) != ERR_OK)
        return code;
    for (f->unit = 0; f->unit < BENCH_UNITS && strcmp(text, BENCH_UNIT_NAMES[f->unit]) != 0;)
        f->unit++;
    if (f->unit == BENCH_UNITS)
        return complain_key(m, "unit", "one of N, kgf, gf, lbf", e);
    if (strcmp(sign, "push-negative") == 0)
        f->scale = -f->scale;
    else if (strcmp(sign, "push-positive") != 0)
        return complain_key(m, "sign", "'push-positive' or 'push-negative': what the gauge shows for a push",
                            e);
    if ((code = yaml_get_double(m, "resolution", true, 1e-6, 1e4, text, &f->resolution, e)) != ERR_OK ||
        (code = yaml_get_double(m, "capacity", true, 1e-3, 1e6, text, &f->capacity, e)) != ERR_OK)
        return code;
    if (f->capacity / f->resolution > COUNTS_MAX)
        return complain_key(m, "resolution", "more than 8388607 steps up to the capacity", e);
    if (f->capacity / f->resolution < 10)
        return complain_key(m, "resolution", "less than ten steps up to the capacity", e);
    return ERR_OK;
}

static enum err_code read_timing(const struct yaml_node *m, struct bench_force *f, struct err *e)
{
    double silence_max_s;
    enum err_code code;
    f->poll[0] = 0;
    if ((code = yaml_get_double(m, "rate_hz", true, RATE_MIN_HZ, RATE_MAX_HZ, "Hz", &f->rate_hz, e)) !=
            ERR_OK ||
        (code = yaml_get_text(m, "poll", false, f->poll, sizeof f->poll, e)) != ERR_OK)
        return code;
    f->polled = f->poll[0] != 0;
    silence_max_s = fmax(BENCH_FILE_SILENCE_S, BENCH_FILE_SILENCE_SAMPLES / f->rate_hz);
    f->silence_s = silence_max_s;
    if ((code = yaml_get_double(m, "silence_s", false, 1.5 / f->rate_hz, silence_max_s, "s", &f->silence_s,
                                e)) != ERR_OK ||
        (code = yaml_get_double(m, "latency_s", true, 0, LATENCY_MAX_S, "s", &f->latency_s, e)) != ERR_OK)
        return code;
    return yaml_get_double(m, "latency_standard_uncertainty_s", true, 0, LATENCY_MAX_S, "s",
                           &f->latency_standard_uncertainty_s, e);
}

static enum err_code read_port(const struct yaml_node *m, char *port, int *baud, struct err *e)
{
    enum err_code code = yaml_get_text(m, "port", true, port, BENCH_FILE_PORT_MAX + 1, e);
    return code != ERR_OK ? code : yaml_get_int(m, "baud", true, LINK_BAUD_MIN, LINK_BAUD_MAX, baud, e);
}

static enum err_code read_force(const struct yaml_node *m, struct bench_force *f, struct err *e)
{
    enum err_code code;
    f->scale = 1;
    snprintf(f->over_range, sizeof f->over_range, "OL");
    if ((code = read_port(m, f->port, &f->baud, e)) != ERR_OK || (code = read_line_form(m, f, e)) != ERR_OK ||
        (code = yaml_get_text(m, "over_range", false, f->over_range, sizeof f->over_range, e)) != ERR_OK ||
        (code = read_unit(m, f, e)) != ERR_OK || (code = read_timing(m, f, e)) != ERR_OK)
        return code;
    return yaml_strict_finish(m, e);
}

/* ---- feed ---- */

static enum err_code read_words(const struct yaml_node *m, const char *key,
                                char words[][BENCH_FILE_WORD_MAX + 1], size_t *count, struct err *e)
{
    const struct yaml_node *list;
    enum err_code code = yaml_get_list(m, key, false, BENCH_FILE_WORDS_MAX, &list, e);
    if (code != ERR_OK || list == NULL)
        return code;
    *count = yaml_length(list);
    for (size_t i = 0; i < *count; i++) {
        const struct yaml_node *item = yaml_item(list, i);
        const char *text = yaml_text(item);
        if (!yaml_is_scalar(item) || text[0] == 0 || strlen(text) > BENCH_FILE_WORD_MAX)
            return yaml_complain(item, e, "%s: a text of 1 to %d bytes is wanted here", key,
                                 BENCH_FILE_WORD_MAX);
        for (const char *p = text; *p != 0; p++) {
            if (*p < 0x20 || *p > 0x7E)
                return yaml_complain(item, e, "%s: plain ASCII is wanted here", key);
        }
        snprintf(words[i], BENCH_FILE_WORD_MAX + 1, "%s", text);
    }
    return ERR_OK;
}

static enum err_code read_answers(const struct yaml_node *m, struct bench_feed *f, struct err *e)
{
    static const char *const REFUSED[] = {"error", "Error", "ERROR", "alarm", "ALARM", "!!"};
    enum err_code code;
    snprintf(f->accepted, sizeof f->accepted, "ok");
    f->refused_count = sizeof REFUSED / sizeof REFUSED[0];
    for (size_t i = 0; i < f->refused_count; i++)
        snprintf(f->refused[i], sizeof f->refused[i], "%s", REFUSED[i]);
    if ((code = yaml_get_text(m, "accepted", false, f->accepted, sizeof f->accepted, e)) != ERR_OK ||
        (code = read_words(m, "refused", f->refused, &f->refused_count, e)) != ERR_OK)
        return code;
    for (size_t i = 0; i < f->refused_count; i++) {
        if (strncmp(f->refused[i], f->accepted, strlen(f->accepted)) == 0)
            return complain_key(m, "accepted", "one of the answers that mean refused begins like it", e);
    }
    return ERR_OK;
}

static enum err_code read_feed(const struct yaml_node *m, struct bench_feed *f, struct err *e)
{
    char axis[8] = "";
    enum err_code code;
    /* G91 incremental, G1 straight line at the feed rate and G4 dwell are of ISO 6983-1 (from memory); G21
     * for millimetres is common use, that standard has G71. */
    snprintf(f->motion, sizeof f->motion, "G1");
    snprintf(f->probe, sizeof f->probe, "G4 P0");
    snprintf(f->start_up[0], sizeof f->start_up[0], "G21");
    snprintf(f->start_up[1], sizeof f->start_up[1], "G91");
    f->start_up_count = 2;
    f->lines_in_flight = 4;
    if ((code = read_port(m, f->port, &f->baud, e)) != ERR_OK ||
        (code = yaml_get_text(m, "axis", true, axis, sizeof axis, e)) != ERR_OK ||
        (code = yaml_get_double(m, "microsteps_per_mm", true, 0.1, STEPS_PER_MM_MAX, "microsteps/mm",
                                &f->microsteps_per_mm, e)) != ERR_OK ||
        (code = read_words(m, "start_up", f->start_up, &f->start_up_count, e)) != ERR_OK ||
        (code = yaml_get_text(m, "motion", false, f->motion, sizeof f->motion, e)) != ERR_OK ||
        (code = yaml_get_text(m, "probe", false, f->probe, sizeof f->probe, e)) != ERR_OK ||
        (code = yaml_get_text(m, "stop", false, f->stop, sizeof f->stop, e)) != ERR_OK ||
        (code = yaml_get_text(m, "release", false, f->release, sizeof f->release, e)) != ERR_OK ||
        (code = yaml_get_int(m, "lines_in_flight", false, 1, IN_FLIGHT_MAX, &f->lines_in_flight, e)) !=
            ERR_OK ||
        (code = read_answers(m, f, e)) != ERR_OK)
        return code;
    /* F, G, M, N, O, P, S and T have another meaning in ISO 6983-1; what is left are axes. */
    if (axis[1] != 0 || axis[0] < 'A' || axis[0] > 'Z' || strchr("FGMNOPST", axis[0]) != NULL)
        return complain_key(m, "axis", "one capital letter that is an axis, such as X or E", e);
    f->axis = axis[0];
    return yaml_strict_finish(m, e);
}

/* ---- whole ---- */

static enum err_code read_root(const struct yaml_node *root, struct bench_file *bench, struct err *e)
{
    const struct yaml_node *force, *feed;
    int version = 0;
    bool end = false;
    enum err_code code;
    if ((code = yaml_get_int(root, "nipbench_bench", true, 1, 1, &version, e)) != ERR_OK ||
        (code = yaml_get_text(root, "name", true, bench->name, sizeof bench->name, e)) != ERR_OK ||
        (code = yaml_get_bool(root, "simulated", false, &bench->simulated, e)) != ERR_OK ||
        (code = yaml_get_bool(root, "end", true, &end, e)) != ERR_OK ||
        (code = yaml_get_node(root, "force", true, &force, e)) != ERR_OK ||
        (code = yaml_get_node(root, "feed", true, &feed, e)) != ERR_OK ||
        (code = read_force(force, &bench->force, e)) != ERR_OK ||
        (code = read_feed(feed, &bench->feed, e)) != ERR_OK)
        return code;
    /* In front of other keys it would not show that. */
    if (!end || strcmp(yaml_key(root, yaml_length(root) - 1), "end") != 0)
        return complain_key(root, "end",
                            "must be true and stand in the last line: it shows that the file is whole", e);
    if (strcmp(bench->force.port, bench->feed.port) == 0)
        return complain_key(feed, "port", "the same as that of the gauge; each instrument has its own", e);
    return yaml_strict_finish(root, e);
}

static enum err_code read_document(struct yaml_document *document, struct bench_file *bench, struct err *e)
{
    enum err_code code;
    *bench = (struct bench_file){0};
    code = read_root(yaml_root(document), bench, e);
    yaml_strict_free(document);
    return code;
}

enum err_code bench_file_read(const char *path, struct bench_file *bench, struct err *e)
{
    struct yaml_document *document;
    enum err_code code = yaml_strict_read(path, &document, e);
    return code != ERR_OK ? code : read_document(document, bench, e);
}

enum err_code bench_file_parse(const char *text, size_t length, const char *name, struct bench_file *bench,
                               struct err *e)
{
    struct yaml_document *document;
    enum err_code code = yaml_strict_parse(text, length, name, &document, e);
    return code != ERR_OK ? code : read_document(document, bench, e);
}
