#include "analyze/report/repeats_show.h"

#include "analyze/repeats_scatter.h"
#include "analyze/report/calibration_used.h"
#include "analyze/report/text_format.h"
#include "analyze/report/text_table.h"
#include "analyze/report/text_wrap.h"

#include <math.h>
#include <string.h>

#define NUMBER_SIZE 64

static const char *unit_of(const struct repeats_answer *a)
{
    return a->session != NULL ? " N" : "";
}

/* "1.27 N", at three digits. Returns buffer of NUMBER_SIZE. */
static char *amount(const struct repeats_answer *a, double value, char *buffer)
{
    char number[NUMBER_SIZE - 4];
    snprintf(buffer, NUMBER_SIZE, "%s%s", text_number(value, 3, number, sizeof number), unit_of(a));
    return buffer;
}

/* "80 %". */
static char *percent(double share, char *buffer)
{
    char number[NUMBER_SIZE - 4];
    snprintf(buffer, NUMBER_SIZE, "%s %%", text_number(100 * share, 4, number, sizeof number));
    return buffer;
}

/* A power in a table, never rounded up to certainty. */
static char *power_cell(double power, char *buffer)
{
    if (power > 0.999)
        snprintf(buffer, NUMBER_SIZE, "> 99.9 %%");
    else
        snprintf(buffer, NUMBER_SIZE, "%.1f %%", 100 * power);
    return buffer;
}

static char *repeats(int count, char *buffer)
{
    if (count > 0)
        snprintf(buffer, NUMBER_SIZE, "%d", count);
    else
        snprintf(buffer, NUMBER_SIZE, "more than %d", POWER_REPEATS_MAX);
    return buffer;
}

static bool estimated(const struct repeats_plan *p)
{
    return isfinite(p->scatter.degrees_of_freedom);
}

static void put_name(const struct repeats_answer *a, size_t feeder, FILE *out)
{
    char name[2 * sizeof a->session->feeders[0].name];
    fputs(text_clean(a->session->feeders[feeder].name, name, sizeof name), out);
}

static void put_heading(const struct repeats_answer *a, const struct repeats_plan *p, FILE *out)
{
    if (a->session == NULL)
        return;
    fprintf(out, "%s at %.6g mm/s: ", strcmp(a->quantity, REPEATS_ONSET) == 0 ? "Slip onset" : "Stall force",
            p->speed_mm_s);
    for (size_t i = 0; i < p->count; i++) {
        fputs(i > 0 ? ", " : "", out);
        put_name(a, p->members[i], out);
    }
    if (p->method != NULL)
        fprintf(out, " (%s)", p->method);
    fputc('\n', out);
}

/* How a scatter is known, and what it holds. */
static void put_scatter(const struct repeats_answer *a, const struct repeats_scatter *s, const char *what,
                        FILE *out)
{
    char sd[NUMBER_SIZE], low[NUMBER_SIZE], high[NUMBER_SIZE];
    fprintf(out, "Scatter of one value%s: sd %s", what, amount(a, s->sd, sd));
    if (isfinite(s->degrees_of_freedom))
        fprintf(out, " (95 %%: %s to %s, from %.3g degrees of freedom)", amount(a, s->low_95, low),
                amount(a, s->high_95, high), s->degrees_of_freedom);
    else
        fputs(", as stated", out);
    if (s->own) {
        fputs(". The feeders scatter differently: this is ", out);
        put_name(a, s->a, out);
        fputs(" and ", out);
        put_name(a, s->b, out);
        fputs(", the pair that scatters most", out);
    }
    fputs(".\n", out);
}

static void put_basis(const struct repeats_answer *a, const struct repeats_plan *p, FILE *out)
{
    put_scatter(a, &p->run_scatter,
                p->run_by_blocks                  ? ", blocks taken out"
                : a->session == NULL && p->blocks ? ", blocks taken out"
                                                  : "",
                out);
    if (p->run_by_blocks && !p->blocks)
        put_scatter(a, &p->scatter, ", blocks left in", out);
    if (p->lower_bounds > 0)
        fprintf(out,
                "%zu of %zu values %s only a lower bound, since a limit came first: the scatter rests on the "
                "other %zu. Where as many meet a limit again, it takes more repeats than said here.\n",
                p->lower_bounds, p->values, p->lower_bounds == 1 ? "is" : "are", p->values - p->lower_bounds);
    if (p->count == 1)
        fprintf(
            out,
            "A single feeder does not tell what differs from block to block: that is in this scatter%s.\n",
            p->blocks ? ", so in blocks it may take fewer repeats" : "");
    if (p->scatter.own)
        fputs(
            "Where feeders scatter differently each pair is judged by its own scatter: the forecast is that "
            "of t tests with their share of the level.\n",
            out);
}

/* "9 repeats of each feeder (95 %: 5 to 32, ...)". */
static void put_count(const struct repeats_plan *p, const struct repeats_count *c, FILE *out)
{
    char n[NUMBER_SIZE], low[NUMBER_SIZE], high[NUMBER_SIZE];
    fprintf(out, "%s repeats of each feeder", repeats(c->value, n));
    if (estimated(p))
        fprintf(out, " (95 %%: %s to %s, as the pilot's scatter is known from %.3g degrees of freedom only)",
                repeats(c->low_95, low), repeats(c->high_95, high), p->scatter.degrees_of_freedom);
}

static void put_needed(const struct repeats_answer *a, const struct repeats_plan *p, FILE *out)
{
    char difference[NUMBER_SIZE], power[NUMBER_SIZE], level[NUMBER_SIZE];
    amount(a, p->difference, difference);
    fprintf(out, "To find a difference of %s%s with a power of %s at a level of %s: ", difference,
            p->matters ? ", the smallest that matters," : "", percent(a->aim.power, power),
            percent(a->aim.level, level));
    put_count(p, &p->find, out);
    if (p->find.value > 0)
        fprintf(out, ", %ld runs", (long)p->find.value * p->feeders);
    fputs(".\nTo call feeders that are truly alike equivalent within that difference, with the same power: ",
          out);
    put_count(p, &p->alike, out);
    if (p->alike.value > 0)
        fprintf(out, ", %ld runs", (long)p->alike.value * p->feeders);
    fputs(".\n", out);
}

static void put_present(const struct repeats_answer *a, const struct repeats_plan *p, FILE *out)
{
    char found[NUMBER_SIZE], low[NUMBER_SIZE], high[NUMBER_SIZE], margin[NUMBER_SIZE], power[NUMBER_SIZE];
    if (p->present == 0)
        return;
    fprintf(out, "The %d repeats of the series find a difference of %s (95 %%: %s to %s) with a power of %s",
            p->present, amount(a, p->found.value, found), amount(a, p->found.low_95, low),
            amount(a, p->found.high_95, high), percent(a->aim.power, power));
    fprintf(out, ", and call feeders that are alike equivalent within ±%s (%s to %s).\n",
            amount(a, p->margin.value, margin), amount(a, p->margin.low_95, low),
            amount(a, p->margin.high_95, high));
}

#define TABLE_CELLS 4

static void put_table(const struct repeats_answer *a, const struct repeats_plan *p, int width, FILE *out)
{
    char repeats_cell[16], power[NUMBER_SIZE], found[NUMBER_SIZE], alike[NUMBER_SIZE],
        difference[NUMBER_SIZE], find_head[2 * NUMBER_SIZE], found_head[2 * NUMBER_SIZE],
        alike_head[2 * NUMBER_SIZE];
    bool whole = p->difference > 0;
    const struct text_column columns[TABLE_CELLS] = {
        {.head = "repeats", .right = true, .numbers = true},
        {.head = find_head, .right = true, .numbers = true, .optional = true},
        {.head = found_head, .right = true, .numbers = true},
        {.head = alike_head, .right = true, .numbers = true, .optional = true}};
    const char *cells[TABLE_CELLS] = {repeats_cell, power, found, alike};
    struct text_table table;
    amount(a, p->difference, difference);
    snprintf(find_head, sizeof find_head, "finds %s in", difference);
    snprintf(found_head, sizeof found_head, "finds in %s", percent(a->aim.power, power));
    snprintf(alike_head, sizeof alike_head, "calls alike within %s in", difference);
    fprintf(out, "\n%d feeders %s\n", p->feeders, p->blocks ? "in blocks" : "as independent groups");
    text_table_begin(&table, columns, TABLE_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < p->row_count; i++) {
            const struct repeats_row *row = &p->rows[i];
            snprintf(repeats_cell, sizeof repeats_cell, "%d", row->repeats);
            amount(a, row->found, found);
            cells[1] = whole ? power_cell(row->power, power) : "";
            cells[3] = whole ? power_cell(row->equivalence_power, alike) : "";
            text_table_put(&table, cells, out);
        }
    }
}

/* What the plan as a whole comes to, where the same feeders are run in the same blocks. */
static void put_effort(const struct repeats_answer *a, const struct repeats_plan *p, FILE *out)
{
    char metres[NUMBER_SIZE], minutes[NUMBER_SIZE];
    const struct repeats_effort *effort = &a->effort;
    double n = p->find.value;
    if (!effort->present || !(p->difference > 0) || n == 0 || !p->run_by_blocks || !p->blocks ||
        p->feeders != (int)p->count)
        return;
    fprintf(out,
            "%.0f blocks of the plan as it is are %.0f runs, about %s m of commanded feed and %s min of "
            "recording; mounting is not counted.\n",
            n, n * (double)effort->runs, text_number(n * effort->feed_mm / 1000, 2, metres, sizeof metres),
            text_number(n * effort->recording_s / 60, 2, minutes, sizeof minutes));
}

static void put_plan(const struct repeats_answer *a, const struct repeats_plan *p, int width, FILE *out)
{
    put_heading(a, p, out);
    if (!p->answered) {
        char why[2 * sizeof p->why_not];
        fprintf(out, "No answer: %s.\n", text_clean(p->why_not, why, sizeof why));
        return;
    }
    if (p->difference > 0)
        put_needed(a, p, out);
    else
        fputs(
            "No difference is stated, neither by --difference nor as one that matters in the plan or by "
            "--matters. The difference that was seen is not taken for it: planning on it is circular, since "
            "it is the very number that more repeats are to settle.\n",
            out);
    put_effort(a, p, out);
    put_present(a, p, out);
    put_basis(a, p, out);
    put_table(a, p, width, out);
}

static void write_all(const struct repeats_answer *answer, int width, FILE *out)
{
    char level[NUMBER_SIZE];
    bool several = false;
    if (answer->session != NULL && answer->session->simulated)
        fputs("SIMULATED DATA\n", out);
    calibration_used_put(answer->session, out);
    for (size_t i = 0; i < answer->plan_count; i++) {
        fputs(i > 0 ? "\n" : "", out);
        put_plan(answer, &answer->plans[i], width, out);
        several = several || answer->plans[i].feeders > 2;
    }
    fputc('\n', out);
    if (several)
        fprintf(out, "The level of %s holds for all pairs of feeders together.\n",
                percent(answer->aim.level, level));
    if (answer->session != NULL && answer->session->adjusted_count > 1)
        fprintf(out,
                "The series asks %zu questions, and compare adjusts their p values for each other (Holm): a "
                "difference that is to be shown beside all of them is planned with --level %.3g.\n",
                answer->session->adjusted_count,
                100 * answer->aim.level / (double)answer->session->adjusted_count);
}

enum err_code repeats_text_write(const struct repeats_answer *answer, int width, FILE *out, struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    if (lines == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    write_all(answer, width, lines);
    fclose(lines);
    return ERR_OK;
}
