#include "analyze/report/compare_text.h"

#include "analyze/report/answer.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/calibration_used.h"
#include "analyze/report/quality_text.h"
#include "analyze/report/text_format.h"
#include "analyze/report/text_table.h"
#include "analyze/report/text_wrap.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define CELL_SIZE   200
#define CELLS_MAX   9
#define RANK_CELLS  4
#define HEADING_MAX 512
/* Stall force and slip onset, with room for more. */
#define PUSH_QUANTITIES_MAX 8

struct row {
    char text[CELLS_MAX][CELL_SIZE];
    const char *cell[CELLS_MAX]; /* those of the table's columns, in their order */
};

/* One table for pushes and one for any other test, so narrow that a pair of short names takes one line of 80
 * columns: the verdict says a or b, what all rows of a group share stands above them, and the resampled
 * interval has the unit of the difference. */
static const struct text_column COLUMNS[] = {
    {.head = "a", .optional = true},
    {.head = "b", .optional = true},
    {.head = "quantity", .optional = true},
    {.head = "speed", .right = true, .numbers = true, .optional = true},
    {.head = "where", .optional = true},
    {.head = "verdict"},
    {.head = "difference a - b", .numbers = true},
    {.head = "p", .numbers = true, .optional = true},
    {.head = "resampled", .numbers = true, .optional = true}};
#define COLUMN_COUNT (sizeof COLUMNS / sizeof COLUMNS[0])
/* Place, feeder, value, letters. */
static const struct text_column RANK_COLUMNS[RANK_CELLS] = {
    {.right = true, .numbers = true}, {.title = false}, {.numbers = true}, {.title = false}};

static const char *short_verdict(const struct comparison *c)
{
    static const char *const VERDICTS[VERDICT_COUNT] = {
        [VERDICT_A_HIGHER] = "a higher",
        [VERDICT_B_HIGHER] = "b higher",
        [VERDICT_NO_DIFFERENCE_SHOWN] = "none shown",
        [VERDICT_EQUIVALENT] = "equivalent",
        [VERDICT_NOT_COMPARABLE] = "not comparable",
    };
    return VERDICTS[c->verdict];
}

/* The bootstrap interval of a difference, to the decimals that the difference has; marked where it rests on
 * few. */
static void put_resampled(const struct comparison *c, char *cell)
{
    int decimals = text_decimals((c->difference.high_95 - c->difference.low_95) / 2);
    char low[48], high[48];
    if (c->resampled.present)
        snprintf(cell, CELL_SIZE, "%s to %s%s", text_rounded(c->resampled.low_95, decimals, low, sizeof low),
                 text_rounded(c->resampled.high_95, decimals, high, sizeof high),
                 answer_resampled_few(c) ? " few" : "");
    else
        snprintf(cell, CELL_SIZE, "-");
}

/* The p value without "p" and "=", which stand above the column. */
static void put_p_value(const struct comparison *c, char *cell)
{
    char text[CELL_SIZE];
    const char *value = text;
    if (!c->has_p_value) {
        snprintf(cell, CELL_SIZE, "-");
        return;
    }
    text_p_value(c->p_value, text, sizeof text);
    value += strncmp(value, "p ", 2) == 0 ? 2 : 0;
    value += strncmp(value, "= ", 2) == 0 ? 2 : 0;
    snprintf(cell, CELL_SIZE, "%s", value);
}

/* one_pair: the heading names a and b; else what is compared, and where, stands above the rows. */
static void fill_row(const struct session *session, const struct comparison *c, bool one_pair,
                     struct row *row)
{
    char text[CELL_SIZE];
    bool judged = c->verdict != VERDICT_NOT_COMPARABLE, push = c->test[0] == 0;
    size_t n = 0;
    text_clean(one_pair ? "" : session->feeders[c->a].name, row->text[n++], CELL_SIZE);
    text_clean(one_pair ? "" : session->feeders[c->b].name, row->text[n++], CELL_SIZE);
    text_clean(one_pair && !push ? answer_quantity(session, c) : "", row->text[n++], CELL_SIZE);
    answer_where(c, text, sizeof text);
    text_clean(one_pair && push ? text : "", row->text[n++], CELL_SIZE);
    text_clean(one_pair && !push ? text : "", row->text[n++], CELL_SIZE);
    snprintf(row->text[n++], CELL_SIZE, "%s", short_verdict(c));
    if (judged && c->difference.present)
        snprintf(row->text[n++], CELL_SIZE, "%s%s",
                 text_quantity(&c->difference, answer_unit(c), text, sizeof text),
                 c->flags.count > 0 || c->accepted.count > 0 ? " *" : "");
    else
        snprintf(row->text[n++], CELL_SIZE, "-");
    put_p_value(c, row->text[n++]);
    put_resampled(c, row->text[n++]);
    for (size_t j = 0; j < n; j++)
        row->cell[j] = row->text[j];
}

static enum err_code put_sentence(const struct session *session, const struct comparison *c, FILE *out,
                                  struct err *e)
{
    char clean[8192], note[ANSWER_NOTE_SIZE];
    char *sentence = answer_sentence(session, c);
    struct result_flags flags = answer_flags(c);
    if (sentence == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the comparison");
    fputs(text_clean(sentence, clean, sizeof clean), out);
    free(sentence);
    answer_note(&flags, note, sizeof note);
    fprintf(out, "%s%s\n", note[0] != 0 ? " " : "", text_clean(note, clean, sizeof clean));
    return ERR_OK;
}

/* The stall force at the reference speed, pair by pair. */
static enum err_code put_headlines(const struct session *session, FILE *out, struct err *e)
{
    char clean[8192], note[ANSWER_NOTE_SIZE];
    const struct result_flags *flags = NULL;
    char *hardest = answer_hardest(session, &flags);
    enum err_code code = ERR_OK;
    if (hardest != NULL) {
        fputs(text_clean(hardest, clean, sizeof clean), out);
        answer_note(flags, note, sizeof note);
        fprintf(out, "%s%s\n", note[0] != 0 ? " " : "", text_clean(note, clean, sizeof clean));
    }
    free(hardest);
    for (size_t i = 0; i < session->comparison_count && code == ERR_OK; i++) {
        if (answer_is_headline(session, &session->comparisons[i]))
            code = put_sentence(session, &session->comparisons[i], out, e);
    }
    return code;
}

/* Why the other pairs that cannot be compared cannot; the table has no room for reasons. */
static enum err_code put_reasons(const struct session *session, FILE *out, struct err *e)
{
    enum err_code code = ERR_OK;
    bool first = true;
    for (size_t i = 0; i < session->comparison_count && code == ERR_OK; i++) {
        const struct comparison *c = &session->comparisons[i];
        if (c->verdict != VERDICT_NOT_COMPARABLE || answer_is_headline(session, c))
            continue;
        fputs(first ? "\n" : "", out);
        first = false;
        code = put_sentence(session, c, out, e);
    }
    return code;
}

/* What the other differences marked in the table rest on that they had better not. */
static void put_notes(const struct session *session, FILE *out)
{
    char text[512], clean[2048], where[64], accepted[ANSWER_ACCEPTED_SIZE];
    bool first = true;
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        if ((c->flags.count == 0 && c->accepted.count == 0) || c->verdict == VERDICT_NOT_COMPARABLE ||
            answer_is_headline(session, c))
            continue;
        fputs(first ? "\n" : "", out);
        first = false;
        answer_where(c, where, sizeof where);
        snprintf(text, sizeof text, "* %s against %s, %s%s%s: ", session->feeders[c->a].name,
                 session->feeders[c->b].name, answer_quantity(session, c),
                 c->test[0] == 0 ? " at "
                 : where[0] != 0 ? " "
                                 : "",
                 where);
        fputs(text_clean(text, clean, sizeof clean), out);
        for (size_t j = 0; j < c->flags.count; j++)
            fprintf(out, "%s%s", j > 0 ? "; " : "",
                    text_clean(text_list_at(&c->flags, j), clean, sizeof clean));
        answer_accepted(c, accepted, sizeof accepted);
        fprintf(out, "%s%s", c->flags.count > 0 && accepted[0] != 0 ? "; " : "",
                text_clean(accepted, clean, sizeof clean));
        fputc('\n', out);
    }
}

/* Who is ahead, where three feeders or more were compared at once, with the letters of the groups. */
static void put_ranking(const struct session *session, size_t family, int width, FILE *out)
{
    const struct comparison_family *f = &session->families[family];
    char about[ANSWER_ABOUT_SIZE], clean[512], value[TEXT_QUANTITY_SIZE], place[24];
    const char *cells[RANK_CELLS] = {place, clean, value, NULL};
    struct text_table table;
    if (f->count < 3)
        return;
    answer_family_about(session, f, about, sizeof about);
    fprintf(out, "\nranking: %s\n", text_clean(about, clean, sizeof clean));
    text_table_begin(&table, RANK_COLUMNS, RANK_CELLS, width);
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < f->count; i++) {
            snprintf(place, sizeof place, "%2zu", i + 1);
            text_clean(session->feeders[f->members[i]].name, clean, sizeof clean);
            answer_family_value(session, family, i, value, sizeof value);
            cells[3] = f->letters[i];
            text_table_put(&table, cells, out);
        }
    }
}

static void put_rankings(const struct session *session, int width, FILE *out)
{
    bool any = false;
    for (size_t i = 0; i < session->family_count; i++) {
        put_ranking(session, i, width, out);
        any = any || session->families[i].count > 2;
    }
    if (any)
        fputs("Feeders that share a letter were not shown to differ.\n", out);
}

static bool in_group(const struct comparison *c, const char *test, const char *quantity)
{
    return strcmp(c->test, test) == 0 && (quantity == NULL || strcmp(c->quantity, quantity) == 0);
}

/* The only pair of feeders of a group; NULL where there are more. */
static const struct comparison *only_pair(const struct session *session, const char *test,
                                          const char *quantity)
{
    const struct comparison *first = NULL;
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        if (!in_group(c, test, quantity))
            continue;
        first = first == NULL ? c : first;
        if (c->a != first->a || c->b != first->b)
            return NULL;
    }
    return first;
}

/* "at 2 mm/s", "corner speed", "greatest rate, at 215 °C": above the pairs that share it. */
static void put_subject(const struct session *session, const struct comparison *c, FILE *out)
{
    char where[80], text[HEADING_MAX], clean[HEADING_MAX];
    answer_where(c, where, sizeof where);
    if (c->test[0] == 0)
        snprintf(text, sizeof text, "at %s", where);
    else
        snprintf(text, sizeof text, "%s%s%s", answer_quantity(session, c), where[0] != 0 ? ", " : "", where);
    fprintf(out, "%s\n", text_clean(text, clean, sizeof clean));
}

static bool same_subject(const struct session *session, const struct comparison *c,
                         const struct comparison *other)
{
    char where[80], other_where[80];
    return other != NULL && strcmp(answer_quantity(session, c), answer_quantity(session, other)) == 0 &&
           strcmp(answer_where(c, where, sizeof where),
                  answer_where(other, other_where, sizeof other_where)) == 0;
}

/* The comparisons of one test under a heading; where test is "" those of one quantity of the pushes. */
static void put_group(const struct session *session, const char *test, const char *quantity,
                      const char *heading, int width, FILE *out)
{
    const struct comparison *pair = only_pair(session, test, quantity), *before = NULL;
    struct text_table table;
    struct row row;
    char text[HEADING_MAX], clean[HEADING_MAX];
    snprintf(text, sizeof text, "%s", heading);
    if (pair != NULL)
        snprintf(text, sizeof text, "%s: a is %s, b is %s", heading, session->feeders[pair->a].name,
                 session->feeders[pair->b].name);
    fprintf(out, "\n%s\n", text_clean(text, clean, sizeof clean));
    text_table_begin(&table, COLUMNS, COLUMN_COUNT, width);
    /* Rows are made twice, once for their widths: of many feeders all at once would take more room than the
     * rest of the session. */
    while (text_table_pass(&table, out)) {
        for (size_t i = 0; i < session->comparison_count; i++) {
            const struct comparison *c = &session->comparisons[i];
            if (!in_group(c, test, quantity))
                continue;
            fill_row(session, c, pair != NULL, &row);
            if (table.pass > 1 && pair == NULL && !same_subject(session, c, before)) {
                /* Stacked rows have an empty line between them: it goes before what stands above the next. */
                fputs(table.stacked && before != NULL ? "\n" : "", out);
                table.rows = 0;
                put_subject(session, c, out);
            }
            before = table.pass > 1 ? c : NULL;
            text_table_put(&table, row.cell, out);
        }
    }
}

/* One group for each quantity of the pushes, in the order in which they come. */
static void put_pushes(const struct session *session, int width, FILE *out)
{
    const char *seen[PUSH_QUANTITIES_MAX];
    size_t count = 0;
    for (size_t i = 0; i < session->comparison_count && count < PUSH_QUANTITIES_MAX; i++) {
        const struct comparison *c = &session->comparisons[i];
        char heading[HEADING_MAX];
        size_t k = 0;
        while (k < count && strcmp(seen[k], c->quantity) != 0)
            k++;
        if (c->test[0] != 0 || k < count)
            continue;
        seen[count++] = c->quantity;
        snprintf(heading, sizeof heading, "%s", answer_quantity(session, c));
        heading[0] = (char)toupper((unsigned char)heading[0]);
        put_group(session, "", c->quantity, heading, width, out);
    }
}

static void explain_none_shown(const struct session *session, FILE *out)
{
    for (size_t i = 0; i < session->comparison_count; i++) {
        if (session->comparisons[i].verdict != VERDICT_NO_DIFFERENCE_SHOWN)
            continue;
        fputs(
            "None shown: no difference shown; these runs cannot tell it from zero, which does not mean that "
            "there is none.\n",
            out);
        return;
    }
}

static void explain_resampled(const struct session *session, FILE *out)
{
    size_t i = 0;
    while (i < session->comparison_count && !session->comparisons[i].resampled.present)
        i++;
    if (i == session->comparison_count)
        return;
    fprintf(out,
            "Resampled: the same mean difference, in its unit, over %d draws of the runs (of whole blocks "
            "where compared "
            "within blocks), without 2.5 %% at either end: a plain check, calibration left out, on which no "
            "verdict rests. Of fewer than %d (few) it is too narrow to mean much.\n",
            BOOTSTRAP_DRAWS, BOOTSTRAP_UNITS_FEW);
}

static enum err_code write_all(const struct session *session, int width, FILE *out, struct err *e)
{
    const char *tests[ANSWER_TESTS_MAX];
    size_t test_count = answer_tests(session, tests, ANSWER_TESTS_MAX);
    enum err_code code;
    if (session->simulated)
        fputs("SIMULATED DATA\n", out);
    calibration_used_put(session, out);
    code = put_headlines(session, out, e);
    if (code == ERR_OK && session->comparison_count > 0) {
        put_rankings(session, width, out);
        put_pushes(session, width, out);
        for (size_t i = 0; i < test_count; i++)
            put_group(session, tests[i], NULL, answer_test_title(tests[i]), width, out);
        fputs("\n± is half the width of the 95 % interval of the pair alone. p is adjusted over the pairs of "
              "feeders measured alike, then over quantities.\n",
              out);
        explain_none_shown(session, out);
        explain_resampled(session, out);
        put_notes(session, out);
        code = put_reasons(session, out, e);
    }
    if (code == ERR_OK)
        code = quality_text_write(session, out, e);
    return code;
}

enum err_code compare_text_write(const struct session *session, int width, FILE *out, struct err *e)
{
    FILE *lines = text_wrap_open(out, width);
    enum err_code code = lines == NULL ? err_set(e, ERR_MEMORY, "out of memory for the comparison")
                                       : write_all(session, width, lines, e);
    if (lines != NULL)
        fclose(lines);
    return code;
}
