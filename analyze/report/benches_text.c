#include "analyze/report/benches_show.h"

#include "analyze/report/text_format.h"

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

/* Characters of clean text, which is UTF-8. */
static int wide(const char *text)
{
    int count = 0;
    for (; *text != 0; text++)
        count += ((unsigned char)*text & 0xC0) != 0x80;
    return count;
}

/* Text at the left of a column that many characters wide. */
static void put_left(const char *text, int width, FILE *out)
{
    int room = width - wide(text);
    fprintf(out, "%s%*s", text, room > 0 ? room : 0, "");
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

static void put_cells(const struct benches *b, const struct benches_section *s, FILE *out)
{
    static const char *const limits[] = {"* straggler beyond", "** outlier beyond"};
    const struct bench_consistency *c = s->consistency;
    const double h_limits[] = {c->h_critical_5, c->h_critical_1},
                 k_limits[] = {c->k_critical_5, c->k_critical_1};
    char name[BENCHES_NAME_SIZE], mean[NUMBER_SIZE], sd[NUMBER_SIZE], h[NUMBER_SIZE], k[NUMBER_SIZE];
    int widest = wide(limits[0]);
    for (size_t i = 0; i < c->benches; i++) {
        int own = wide(shown(s->names[i], name));
        widest = own > widest ? own : widest;
    }
    put_left("bench", widest, out);
    fprintf(out, "  %4s  %10s  %10s  %8s  %8s\n", "n", head(b, "mean", mean), head(b, "s", sd), "h", "k");
    for (size_t i = 0; i < c->benches; i++) {
        const struct bench_cell *cell = &c->cells[i];
        put_left(shown(s->names[i], name), widest, out);
        fprintf(out, "  %4zu  %10s  %10s  %8s  %8s\n", cell->n, beside(cell->mean, c->repeatability_sd, mean),
                beside(cell->sd, c->repeatability_sd, sd), marked(cell->h, cell->h_mark, h),
                marked(cell->k, cell->k_mark, k));
    }
    for (size_t i = 0; i < 2; i++) {
        put_left(limits[i], widest, out);
        fprintf(out, "  %4s  %10s  %10s  %8s  %8s\n", "", "", "", marked(h_limits[i], BENCH_SOUND, h),
                marked(k_limits[i], BENCH_SOUND, k));
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

static void put_between(const struct benches *b, const struct benches_section *s, FILE *out)
{
    const struct bench_consistency *c = s->consistency;
    char a[NUMBER_SIZE], d[NUMBER_SIZE];
    double s_r = c->repeatability_sd;
    fprintf(out, ": %zu values on %zu benches", c->values, c->benches);
    if (s->runs > s->values)
        fprintf(out, ", each the mean of what one mounting of the feeder gave (%zu %s in all)", s->runs,
                isfinite(s->speed_mm_s) ? "pushes" : "rows");
    fputs(".\n", out);
    put_cells(b, s, out);
    fprintf(out, "\nmean of all values                 m    %s\n", measure(b, c->mean, s_r, a));
    fprintf(out, "standard deviation of bench means  s_x  %s\n", measure(b, c->sd_of_means, s_r, a));
    fprintf(out, "repeatability, on one bench        s_r  %s; limit r = 2.8 s_r = %s\n",
            measure(b, s_r, s_r, a), measure(b, c->repeatability_limit, s_r, d));
    fprintf(out, "between benches                    s_L  %s%s\n", measure(b, c->between_sd, s_r, a),
            c->between_clamped ? " (the benches differ by less than repeatability alone would have them)"
                               : "");
    fprintf(out, "reproducibility, on any bench      s_R  %s; limit R = 2.8 s_R = %s\n",
            measure(b, c->reproducibility_sd, s_r, a), measure(b, c->reproducibility_limit, s_r, d));
    fputs("Two values differ by more than r in about 1 of 20 cases where one bench measured both, and by "
          "more than R where two benches did.\n\n",
          out);
    put_checks(s, out);
    put_notes(s, out);
}

static void put_component(const struct benches *b, const struct benches_section *s, size_t i, FILE *out)
{
    const struct variance_component *c = &s->split.components[i];
    bool residual = i + 1 == s->split.count;
    char sd[NUMBER_SIZE], low[NUMBER_SIZE], high[NUMBER_SIZE], p[NUMBER_SIZE], share[NUMBER_SIZE],
        interval[3 * NUMBER_SIZE] = "-", levels[NUMBER_SIZE] = "";
    if (!residual)
        snprintf(levels, sizeof levels, "%zu", s->levels[i]);
    fprintf(out, "%-18s  %6s", benches_source(s, i), levels);
    if (!c->present) {
        fputs("  cannot be told from what stands above it\n", out);
        return;
    }
    if (isfinite(c->low_95))
        snprintf(interval, sizeof interval, "%s to %s%s%s",
                 text_number(sqrt(fmax(0, c->low_95)), 2, low, sizeof low),
                 text_number(sqrt(fmax(0, c->high_95)), 2, high, sizeof high), b->unit[0] != 0 ? " " : "",
                 b->unit);
    fprintf(out, "  %5.0f  %10s  %8s %%  %*s", c->degrees_of_freedom, text_number(c->sd, 3, sd, sizeof sd),
            text_number(100 * c->share, 3, share, sizeof share), isfinite(c->p_value) ? -24 : 0, interval);
    if (isfinite(c->p_value))
        fprintf(out, "  %s", text_p_value(c->p_value, p, sizeof p));
    fputc('\n', out);
}

static void put_rig(const struct benches *b, const struct benches_section *s, FILE *out)
{
    const char *gap = b->unit[0] != 0 ? " " : "";
    char bench[BENCHES_NAME_SIZE], own[NUMBER_SIZE], feeder[NUMBER_SIZE], share[NUMBER_SIZE], sd[HEAD_SIZE];
    fprintf(out, ": %zu values on one bench", s->values);
    if (s->bench[0] != 0)
        fprintf(out, ", %s", shown(s->bench, bench));
    fprintf(out, ". What they scatter by, source by source:\n%-18s  %6s  %5s  %10s  %10s  %s\n", "source",
            "levels", "df", head(b, "sd", sd), "variance", "95 % interval of the sd");
    for (size_t i = 0; i < s->split.count; i++)
        put_component(b, s, i, out);
    fputs("variance: the share of the whole. p: how often so much would be seen of a source that brings "
          "nothing.\n",
          out);
    if (s->has_own_share)
        fprintf(out,
                "The rig's own share, that is all but what the feeders differ by: %s %% of the variance, an "
                "sd of %s%s%s beside %s%s%s of the feeders.\n",
                text_number(100 * s->own_share, 3, share, sizeof share),
                text_number(s->own_sd, 3, own, sizeof own), gap, b->unit,
                text_number(s->feeder_sd, 3, feeder, sizeof feeder), gap, b->unit);
    else
        fprintf(out, "The rig's own share is not known: %s.\n", s->why_no_share);
}

void benches_text_write(const struct benches *b, bool simulated, FILE *out)
{
    char text[sizeof b->sections->why_not];
    if (simulated)
        fputs("SIMULATED DATA\n", out);
    for (size_t i = 0; i < b->count; i++) {
        const struct benches_section *s = &b->sections[i];
        if (simulated || i > 0)
            fputc('\n', out);
        put_heading(b, s, out);
        if (!s->answered)
            fprintf(out, ": no answer: %s.\n", text_clean(s->why_not, text, sizeof text));
        else if (s->kind == BENCHES_BETWEEN)
            put_between(b, s, out);
        else
            put_rig(b, s, out);
        if (s->answered && s->without > 0)
            fprintf(out, "%zu of %zu pushes gave no such value and %s not among these.\n", s->without,
                    s->runs + s->without, s->without == 1 ? "is" : "are");
        for (size_t k = 0; s->answered && k < s->accepted_count; k++)
            fprintf(out, "Accepted: %s.\n", text_clean(s->accepted[k], text, sizeof text));
    }
}
