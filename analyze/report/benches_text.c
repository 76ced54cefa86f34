#include "analyze/report/benches_show.h"

#include "analyze/report/text_format.h"

#include <math.h>
#include <string.h>

#define NUMBER_SIZE 64

const char *const BENCHES_CHECK_NAMES[BENCHES_CHECKS] = {"Cochran, greatest scatter", "Grubbs, lowest mean",
                                                         "Grubbs, highest mean", "Grubbs, two lowest",
                                                         "Grubbs, two highest"};

const struct bench_check *benches_check(const struct bench_consistency *c, size_t i)
{
    const struct bench_check *const checks[BENCHES_CHECKS] = {&c->cochran, &c->grubbs_low, &c->grubbs_high,
                                                              &c->grubbs_two_low, &c->grubbs_two_high};
    return checks[i];
}

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

static const char *marked(double value, enum bench_mark m, char *buffer)
{
    if (!isfinite(value))
        return "-";
    snprintf(buffer, NUMBER_SIZE, "%.2f%s", value, mark(m));
    return buffer;
}

static void put_heading(const struct benches *b, const struct benches_section *s, FILE *out)
{
    char text[BENCHES_NAME_SIZE * 2], speed[NUMBER_SIZE];
    fprintf(out, "\n%s", text_clean(b->quantity, text, sizeof text));
    if (s->feeder[0] != 0)
        fprintf(out, " of %s", text_clean(s->feeder, text, sizeof text));
    if (isfinite(s->speed_mm_s))
        fprintf(out, " at %s", text_measure(s->speed_mm_s, "mm/s", speed, sizeof speed));
}

static void put_cells(const struct benches_section *s, FILE *out)
{
    const struct bench_consistency *c = s->consistency;
    char name[BENCHES_NAME_SIZE], mean[NUMBER_SIZE], sd[NUMBER_SIZE], h[NUMBER_SIZE], k[NUMBER_SIZE];
    int widest = 5;
    for (size_t i = 0; i < c->benches; i++) {
        int wide = (int)strlen(text_clean(s->names[i], name, sizeof name));
        widest = wide > widest ? wide : widest;
    }
    fprintf(out, "%-*s  %4s  %10s  %10s  %8s  %8s\n", widest, "bench", "n", "mean", "s", "h", "k");
    for (size_t i = 0; i < c->benches; i++) {
        const struct bench_cell *cell = &c->cells[i];
        fprintf(out, "%-*s  %4zu  %10s  %10s  %8s  %8s\n", widest, text_clean(s->names[i], name, sizeof name),
                cell->n, beside(cell->mean, c->repeatability_sd, mean),
                beside(cell->sd, c->repeatability_sd, sd), marked(cell->h, cell->h_mark, h),
                marked(cell->k, cell->k_mark, k));
    }
    fprintf(out, "%-*s  %4s  %10s  %10s  %8s  %8s\n", widest, "beyond 5 %", "", "", "",
            marked(c->h_critical_5, BENCH_SOUND, h), marked(c->k_critical_5, BENCH_SOUND, k));
    fprintf(out, "%-*s  %4s  %10s  %10s  %8s  %8s\n", widest, "beyond 1 %", "", "", "",
            marked(c->h_critical_1, BENCH_SOUND, h), marked(c->k_critical_1, BENCH_SOUND, k));
}

static void put_checks(const struct benches_section *s, FILE *out)
{
    static const char *const words[] = {"sound", "straggler", "outlier"};
    char name[BENCHES_NAME_SIZE];
    for (size_t i = 0; i < BENCHES_CHECKS; i++) {
        const struct bench_check *check = benches_check(s->consistency, i);
        if (!check->present)
            continue;
        fprintf(out, "%-26s %7.4f  (5 %%: %.4f, 1 %%: %.4f)  %s, %s", BENCHES_CHECK_NAMES[i],
                check->statistic, check->critical_5, check->critical_1, words[check->mark],
                text_clean(s->names[check->bench], name, sizeof name));
        if (i >= 3)
            fprintf(out, " and %s", text_clean(s->names[check->other], name, sizeof name));
        fputc('\n', out);
    }
}

static void put_between(const struct benches *b, const struct benches_section *s, FILE *out)
{
    const struct bench_consistency *c = s->consistency;
    const char *gap = b->unit[0] != 0 ? " " : "";
    char a[NUMBER_SIZE], d[NUMBER_SIZE];
    double s_r = c->repeatability_sd;
    fprintf(out, ": %zu values on %zu benches\n", c->values, c->benches);
    put_cells(s, out);
    fprintf(out, "\nmean                            m    %s%s%s\n", beside(c->mean, s_r, a), gap, b->unit);
    fprintf(out, "standard deviation of the means s_x  %s%s%s\n", beside(c->sd_of_means, s_r, a), gap,
            b->unit);
    fprintf(out, "repeatability                   s_r  %s%s%s; limit r = 2.8 s_r: %s%s%s\n",
            beside(s_r, s_r, a), gap, b->unit, beside(c->repeatability_limit, s_r, d), gap, b->unit);
    fprintf(out, "between benches                 s_L  %s%s%s%s\n", beside(c->between_sd, s_r, a), gap,
            b->unit, c->between_clamped ? " (its estimate was negative)" : "");
    fprintf(out, "reproducibility                 s_R  %s%s%s; limit R = 2.8 s_R: %s%s%s\n",
            beside(c->reproducibility_sd, s_r, a), gap, b->unit, beside(c->reproducibility_limit, s_r, d),
            gap, b->unit);
    fputs(
        "Two values of one bench differ by more than r in 1 of 20 cases, of two benches by more than R.\n\n",
        out);
    put_checks(s, out);
    fputs("* straggler (beyond 5 %), ** outlier (beyond 1 %). Nothing was left out.\n", out);
}

static void put_component(const struct benches *b, const struct benches_section *s, size_t i, FILE *out)
{
    const struct variance_component *c = &s->split.components[i];
    bool residual = i + 1 == s->split.count;
    char sd[NUMBER_SIZE], low[NUMBER_SIZE], high[NUMBER_SIZE], p[NUMBER_SIZE], share[NUMBER_SIZE],
        levels[NUMBER_SIZE] = "";
    const char *name = benches_source(s, i);
    if (!residual)
        snprintf(levels, sizeof levels, "%zu", s->levels[i]);
    if (!c->present) {
        fprintf(out, "%-20s  %6s  cannot be told apart\n", name, levels);
        return;
    }
    fprintf(out, "%-20s  %6s  %5.0f  %10s  %7s %%", name, levels, c->degrees_of_freedom,
            text_number(c->sd, 3, sd, sizeof sd), text_number(100 * c->share, 3, share, sizeof share));
    if (isfinite(c->low_95))
        fprintf(out, "  %s to %s%s%s", text_number(sqrt(fmax(0, c->low_95)), 2, low, sizeof low),
                text_number(sqrt(fmax(0, c->high_95)), 2, high, sizeof high), b->unit[0] != 0 ? " " : "",
                b->unit);
    else
        fputs("  -", out);
    fprintf(out, "  %s\n", isfinite(c->p_value) ? text_p_value(c->p_value, p, sizeof p) : "");
}

static void put_rig(const struct benches *b, const struct benches_section *s, FILE *out)
{
    const char *gap = b->unit[0] != 0 ? " " : "";
    char own[NUMBER_SIZE], feeder[NUMBER_SIZE], share[NUMBER_SIZE];
    fprintf(out, ": %zu values on one bench\n", s->values);
    fprintf(out, "%-20s  %6s  %5s  %10s  %9s  %s\n", "source", "levels", "df", "sd", "variance",
            "95 % interval of the sd, and whether it is shown");
    for (size_t i = 0; i < s->split.count; i++)
        put_component(b, s, i, out);
    if (s->has_own_share)
        fprintf(
            out,
            "The rig's own share of the variance (all but the feeders'): %s %%; sd %s%s%s beside %s%s%s of "
            "the feeders.\n",
            text_number(100 * s->own_share, 3, share, sizeof share),
            text_number(s->own_sd, 3, own, sizeof own), gap, b->unit,
            text_number(s->feeder_sd, 3, feeder, sizeof feeder), gap, b->unit);
    else
        fputs("With one feeder nothing tells how much of the repeats' scatter is the rig's own and how much "
              "the feeder's: measure two or more.\n",
              out);
}

void benches_text_write(const struct benches *b, bool simulated, FILE *out)
{
    char text[512];
    if (simulated)
        fputs("SIMULATED DATA\n", out);
    for (size_t i = 0; i < b->count; i++) {
        const struct benches_section *s = &b->sections[i];
        put_heading(b, s, out);
        if (!s->answered)
            fprintf(out, ": no answer: %s.\n", text_clean(s->why_not, text, sizeof text));
        else if (s->kind == BENCHES_BETWEEN)
            put_between(b, s, out);
        else
            put_rig(b, s, out);
        for (size_t k = 0; s->answered && k < s->accepted_count; k++)
            fprintf(out, "Accepted: %s.\n", text_clean(s->accepted[k], text, sizeof text));
    }
}
