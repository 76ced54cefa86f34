#include "analyze/report/benches_show.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/text_format.h"
#include "analyze/report/text_table.h"
#include "analyze/report/text_wrap.h"

#include <math.h>
#include <string.h>

#define NUMBER_SIZE 64
#define HEAD_SIZE   48

static const char *const CHECK_NAMES[BENCHES_CHECKS] = {"Cochran, greatest scatter", "Grubbs, lowest mean",
                                                        "Grubbs, highest mean", "Grubbs, two lowest means",
                                                        "Grubbs, two highest means"};

static const char *mark(enum bench_mark m)
{
    return m == BENCH_OUTLIER ? "**" : m == BENCH_STRAGGLER ? "*" : "";
}

/* To three digits of s, the scatter that it stands beside; "-" where it is not known. */
static const char *beside(double value, double s, char *buffer)
{
    if (!isfinite(value))
        return "-";
    return text_rounded(value, s > 0 ? text_decimals(s) + 1 : 4, buffer, NUMBER_SIZE);
}

/* The same with its unit. */
static const char *measure(const struct benches *b, double value, double s, char *buffer)
{
    char number[NUMBER_SIZE];
    snprintf(buffer, NUMBER_SIZE, "%.40s%s%s", beside(value, s, number), b->unit[0] != 0 ? " " : "", b->unit);
    return buffer;
}

static const char *marked(double value, enum bench_mark m, char *buffer)
{
    if (!isfinite(value))
        return "-";
    snprintf(buffer, NUMBER_SIZE, "%.2f%s", value, mark(m));
    return buffer;
}

/* "mean, N": the head of a column of the quantity. */
static const char *head(const struct benches *b, const char *name, char *buffer)
{
    snprintf(buffer, HEAD_SIZE, "%s%s%s", name, b->unit[0] != 0 ? ", " : "", b->unit);
    return buffer;
}

/* A name as it may be shown, "(no name)" for none. */
static const char *shown(const char *name, char *buffer)
{
    return name[0] != 0 ? text_clean(name, buffer, BENCHES_NAME_SIZE) : "(no name)";
}

static void put_heading(const struct benches *b, const struct benches_section *s, FILE *out)
{
    char text[BENCHES_NAME_SIZE], speed[NUMBER_SIZE];
    const char *quantity = strcmp(b->quantity, "stall_force_n") == 0  ? "Stall force"
                           : strcmp(b->quantity, "slip_onset_n") == 0 ? "Slip onset"
                                                                      : b->quantity;
    fputs(isfinite(s->speed_mm_s) ? quantity : text_clean(b->quantity, text, sizeof text), out);
    if (s->feeder[0] != 0)
        fprintf(out, " of %s", shown(s->feeder, text));
    if (isfinite(s->speed_mm_s))
        fprintf(out, " at %s", text_measure(s->speed_mm_s, "mm/s", speed, sizeof speed));
}

#define CELL_COLUMNS 6

static void put_cells(const struct benches *b, const struct benches_section *s, int width, FILE *out)
{
    static const char *const limits[] = {"* straggler beyond", "** outlier beyond"};
    const struct bench_consistency *c = s->consistency;
    const double h_limits[] = {c->h_critical_5, c->h_critical_1},
                 k_limits[] = {c->k_critical_5, c->k_critical_1};
    char name[BENCHES_NAME_SIZE], n[NUMBER_SIZE], mean[NUMBER_SIZE], sd[NUMBER_SIZE], h[NUMBER_SIZE],
        k[NUMBER_SIZE], mean_head[HEAD_SIZE], sd_head[HEAD_SIZE];
    const struct text_column columns[CELL_COLUMNS] = {
        {.head = "bench", .title = true},
        {.head = "n", .right = true, .numbers = true},
        {.head = head(b, "mean", mean_head), .right = true, .numbers = true},
        {.head = head(b, "s", sd_head), .right = true, .numbers = true},
        {.head = "h", .right = true, .numbers = true},
        {.head = "k", .right = true, .numbers = true}};
    struct text_table table;
    text_table_begin(&table, columns, CELL_COLUMNS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < c->benches + 2; i++) {
            const char *cells[CELL_COLUMNS] = {NULL, "", "", "", h, k};
            if (i < c->benches) {
                const struct bench_cell *cell = &c->cells[i];
                snprintf(n, sizeof n, "%zu", cell->n);
                cells[0] = shown(s->names[i], name);
                cells[1] = n;
                cells[2] = beside(cell->mean, c->repeatability_sd, mean);
                cells[3] = beside(cell->sd, c->repeatability_sd, sd);
                cells[4] = marked(cell->h, cell->h_mark, h);
                cells[5] = marked(cell->k, cell->k_mark, k);
            } else {
                size_t limit = i - c->benches;
                cells[0] = limits[limit];
                cells[4] = marked(h_limits[limit], BENCH_SOUND, h);
                cells[5] = marked(k_limits[limit], BENCH_SOUND, k);
            }
            text_table_put(&table, cells, out);
        }
    }
    fputs("s: standard deviation on that bench. Mandel's h: how far the bench's mean is from the mean of the "
          "benches, in standard deviations s_x of these, of either sign; k: s over that of all benches.\n",
          out);
}

static void put_checks(const struct benches_section *s, FILE *out)
{
    static const char *const words[] = {"sound", "straggler", "outlier"};
    char name[BENCHES_NAME_SIZE];
    bool any = false;
    for (size_t i = 0; i < BENCHES_CHECKS; i++) {
        const struct bench_check *check = benches_check(s->consistency, i);
        const char *than = i >= BENCHES_PAIRS ? "below" : "above";
        if (check == NULL)
            continue;
        fprintf(out, "%-25s  %.4f of %s", CHECK_NAMES[i], check->statistic,
                shown(s->names[check->bench], name));
        if (i >= BENCHES_PAIRS)
            fprintf(out, " and %s", shown(s->names[check->other], name));
        fprintf(out, ": %s (straggler %s %.4f, outlier %s %.4f)\n", words[check->mark], than,
                check->critical_5, than, check->critical_1);
        any = true;
    }
    fputs(any ? "A straggler lies beyond the critical value of 5 %, an outlier beyond that of 1 % (ISO "
                "5725-2). None is left out of the figures above.\n"
              : "Two benches that repeat themselves as well as these cannot be tested for outliers.\n",
          out);
}

/* What a reader should know of how the values came about. */
static void put_notes(const struct benches_section *s, FILE *out)
{
    const struct bench_consistency *c = s->consistency;
    bool unequal = false;
    for (size_t i = 0; i < c->benches; i++)
        unequal = unequal || c->cells[i].n != c->common_n;
    if (unequal)
        fprintf(out,
                "The benches have unequal n: k and Cochran's test are held to the critical values of n = "
                "%zu, and hold only about.\n",
                c->common_n);
    if (s->several_operators)
        fputs("On one bench or more, several operators measured: s_r holds their differences too, which "
              "repeatability by ISO 5725 does not.\n",
              out);
}

/* Which benches the tests of Cochran and Grubbs mark, in one sentence; nothing where none could be made. */
static void put_found(const struct benches_section *s, FILE *out)
{
    const struct bench_consistency *c = s->consistency;
    char name[BENCHES_NAME_SIZE];
    size_t count = 0;
    bool any = false;
    for (size_t i = 0; i < c->benches; i++) {
        enum bench_mark worst = BENCH_SOUND;
        for (size_t k = 0; k < BENCHES_CHECKS; k++) {
            const struct bench_check *check = benches_check(c, k);
            any = any || check != NULL;
            if (check != NULL && (check->bench == i || (k >= BENCHES_PAIRS && check->other == i)) &&
                check->mark > worst)
                worst = check->mark;
        }
        if (worst == BENCH_SOUND)
            continue;
        fprintf(out, "%s%s is %s", count > 0 ? "; " : "", shown(s->names[i], name),
                worst == BENCH_OUTLIER ? "an outlier" : "a straggler");
        count++;
    }
    if (any)
        fputs(count > 0 ? ".\n" : "No bench is an outlier or a straggler.\n", out);
}

#define SUM_COLUMNS 4

/* What the benches scatter by, in four numbers. */
static void put_sums(const struct benches *b, const struct bench_consistency *c, int width, FILE *out)
{
    double s_r = c->repeatability_sd;
    char mean[NUMBER_SIZE], s_x[NUMBER_SIZE], own[NUMBER_SIZE], between[NUMBER_SIZE], any[NUMBER_SIZE],
        text[NUMBER_SIZE], limit_r[2 * NUMBER_SIZE], limit_big_r[2 * NUMBER_SIZE];
    const char *rows[][SUM_COLUMNS] = {
        {"mean of all values", "m", measure(b, c->mean, s_r, mean), ""},
        {"standard deviation of bench means", "s_x", measure(b, c->sd_of_means, s_r, s_x), ""},
        {"repeatability, on one bench", "s_r", measure(b, s_r, s_r, own), limit_r},
        {"between benches", "s_L", measure(b, c->between_sd, s_r, between),
         c->between_clamped ? "the benches differ by less than repeatability alone would have them" : ""},
        {"reproducibility, on any bench", "s_R", measure(b, c->reproducibility_sd, s_r, any), limit_big_r}};
    static const struct text_column columns[SUM_COLUMNS] = {
        {.title = true}, {.numbers = true}, {.numbers = true}, {.optional = true}};
    struct text_table table;
    snprintf(limit_r, sizeof limit_r, "limit r = 2.8 s_r = %s",
             measure(b, c->repeatability_limit, s_r, text));
    snprintf(limit_big_r, sizeof limit_big_r, "limit R = 2.8 s_R = %s",
             measure(b, c->reproducibility_limit, s_r, text));
    text_table_begin(&table, columns, SUM_COLUMNS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
            text_table_put(&table, rows[i], out);
    }
}

static void put_between(const struct benches *b, const struct benches_section *s, int width, FILE *out)
{
    const struct bench_consistency *c = s->consistency;
    fprintf(out, ": %zu values on %zu benches", c->values, c->benches);
    if (s->runs > s->values)
        fprintf(out, ", each the mean of what one mounting of the feeder gave (%zu %s in all)", s->runs,
                isfinite(s->speed_mm_s) ? "pushes" : "rows");
    fputs(".\n", out);
    put_found(s, out);
    fputc('\n', out);
    put_sums(b, c, width, out);
    fputs("Two values differ by more than r in about 1 of 20 cases where one bench measured both, and by "
          "more than R where two benches did.\n\n",
          out);
    put_cells(b, s, width, out);
    fputc('\n', out);
    put_checks(s, out);
    put_notes(s, out);
}

#define SOURCE_COLUMNS 7

static const char *interval_of_sd(const struct benches *b, const struct variance_component *c, char *buffer,
                                  size_t size)
{
    char low[NUMBER_SIZE], high[NUMBER_SIZE];
    if (!isfinite(c->low_95))
        return "-";
    snprintf(buffer, size, "%s to %s%s%s", text_number(sqrt(fmax(0, c->low_95)), 2, low, sizeof low),
             text_number(sqrt(fmax(0, c->high_95)), 2, high, sizeof high), b->unit[0] != 0 ? " " : "",
             b->unit);
    return buffer;
}

static void put_sources(const struct benches *b, const struct benches_section *s, int width, FILE *out)
{
    char sd_head[HEAD_SIZE], levels[NUMBER_SIZE], df[NUMBER_SIZE], sd[NUMBER_SIZE], share[NUMBER_SIZE + 4],
        interval[3 * NUMBER_SIZE], p[NUMBER_SIZE], number[NUMBER_SIZE];
    const struct text_column columns[SOURCE_COLUMNS] = {
        {.head = "source", .title = true},
        {.head = "levels", .right = true, .numbers = true},
        {.head = "df", .right = true, .numbers = true},
        {.head = head(b, "sd", sd_head), .right = true, .numbers = true},
        {.head = "variance", .right = true, .numbers = true},
        {.head = "95 % interval of the sd"},
        {.head = "p", .numbers = true, .optional = true}};
    struct text_table table;
    text_table_begin(&table, columns, SOURCE_COLUMNS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < s->split.count; i++) {
            const struct variance_component *c = &s->split.components[i];
            const char *cells[SOURCE_COLUMNS] = {
                benches_section_source(s, i), "", "", "", "", "cannot be told from what stands above it", ""};
            if (i + 1 < s->split.count) {
                snprintf(levels, sizeof levels, "%zu", s->levels[i]);
                cells[1] = levels;
            }
            if (c->present) {
                snprintf(df, sizeof df, "%.0f", c->degrees_of_freedom);
                snprintf(share, sizeof share, "%s %%", text_number(100 * c->share, 3, number, sizeof number));
                cells[2] = df;
                cells[3] = text_number(c->sd, 3, sd, sizeof sd);
                cells[4] = share;
                cells[5] = interval_of_sd(b, c, interval, sizeof interval);
                cells[6] = isfinite(c->p_value) ? text_p_value(c->p_value, p, sizeof p) : "";
            }
            text_table_put(&table, cells, out);
        }
    }
}

static void put_rig(const struct benches *b, const struct benches_section *s, int width, FILE *out)
{
    const char *gap = b->unit[0] != 0 ? " " : "";
    char bench[BENCHES_NAME_SIZE], own[NUMBER_SIZE], feeder[NUMBER_SIZE], share[NUMBER_SIZE];
    fprintf(out, ": %zu values on one bench", s->values);
    if (s->bench[0] != 0)
        fprintf(out, ", %s", shown(s->bench, bench));
    fputs(".\n", out);
    if (s->has_own_share)
        fprintf(out,
                "The rig's own share, that is all but what the feeders differ by: %s %% of the variance, an "
                "sd of %s%s%s beside %s%s%s of the feeders.\n",
                text_number(100 * s->own_share, 3, share, sizeof share),
                text_number(s->own_sd, 3, own, sizeof own), gap, b->unit,
                text_number(s->feeder_sd, 3, feeder, sizeof feeder), gap, b->unit);
    else
        fprintf(out, "The rig's own share is not known: %s.\n", s->why_no_share);
    fputs("What the values scatter by, source by source:\n\n", out);
    put_sources(b, s, width, out);
    fputs("variance: the share of the whole. p: how often so much would be seen of a source that brings "
          "nothing.\n",
          out);
}

static void write_all(const struct benches *b, const struct session *session, int width, FILE *out)
{
    char text[sizeof b->sections->why_not];
    bool simulated = session != NULL && session->simulated, any = simulated || calibration_used_any(session);
    if (simulated)
        fputs("SIMULATED DATA\n", out);
    calibration_used_put(session, out);
    for (size_t i = 0; i < b->count; i++) {
        const struct benches_section *s = &b->sections[i];
        if (any || i > 0)
            fputc('\n', out);
        put_heading(b, s, out);
        if (!s->answered)
            fprintf(out, ": no answer: %s.\n", text_clean(s->why_not, text, sizeof text));
        else if (s->kind == BENCHES_BETWEEN)
            put_between(b, s, width, out);
        else
            put_rig(b, s, width, out);
        if (s->answered && s->without > 0)
            fprintf(out, "%zu of %zu pushes gave no such value and %s not among these.\n", s->without,
                    s->runs + s->without, s->without == 1 ? "is" : "are");
        for (size_t k = 0; s->answered && k < s->accepted_count; k++)
            fprintf(out, "Accepted: %s.\n", text_clean(s->accepted[k], text, sizeof text));
    }
}

enum err_code benches_text_write(const struct benches *b, const struct session *session, int width, FILE *out,
                                 struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    write_all(b, session, width, lines);
    fclose(lines);
    return ERR_OK;
}
