#include "analyze/report/compare_text.h"

#include "analyze/report/answer.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/quality_text.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>
#include <string.h>

#define COLUMNS   8
#define CELL_SIZE 200

struct row {
    char cell[COLUMNS][CELL_SIZE];
};

/* Characters, not bytes: the plus-minus sign takes two bytes. */
static int width(const char *text)
{
    int n = 0;
    for (const char *p = text; *p != 0; p++)
        n += ((unsigned char)*p & 0xC0) != 0x80;
    return n;
}

/* The bootstrap interval of a difference, marked where it rests on few. */
static void put_resampled(const struct comparison *c, char *cell)
{
    char text[CELL_SIZE];
    const char *interval = strchr(answer_resampled(c, text, sizeof text), ':');
    if (interval == NULL)
        snprintf(cell, CELL_SIZE, "-");
    else
        snprintf(cell, CELL_SIZE, "%s%s", interval + 2, answer_resampled_few(c) ? " (few)" : "");
}

static void fill_row(const struct session *session, const struct comparison *c, struct row *row)
{
    char text[CELL_SIZE];
    bool judged = c->verdict != VERDICT_NOT_COMPARABLE;
    text_clean(answer_verdict(session, c, text, sizeof text), row->cell[0], CELL_SIZE);
    text_clean(session->feeders[c->a].name, row->cell[1], CELL_SIZE);
    text_clean(session->feeders[c->b].name, row->cell[2], CELL_SIZE);
    text_clean(answer_quantity(session, c), row->cell[3], CELL_SIZE);
    text_clean(answer_where(c, text, sizeof text), row->cell[4], CELL_SIZE);
    if (judged && c->difference.present)
        snprintf(row->cell[5], CELL_SIZE, "%s%s",
                 text_quantity(&c->difference, answer_unit(c), text, sizeof text),
                 c->flags.count > 0 || c->accepted.count > 0 ? " *" : "");
    else
        snprintf(row->cell[5], CELL_SIZE, "-");
    put_resampled(c, row->cell[7]);
    if (c->has_p_value)
        text_p_value(c->p_value, row->cell[6], CELL_SIZE);
    else
        snprintf(row->cell[6], CELL_SIZE, "-");
}

static void widen(const struct row *row, int *widest)
{
    for (int j = 0; j < COLUMNS; j++)
        widest[j] = width(row->cell[j]) > widest[j] ? width(row->cell[j]) : widest[j];
}

static void put_row(const struct row *row, const int *widest, FILE *out)
{
    for (int j = 0; j < COLUMNS; j++) {
        int pad = j + 1 < COLUMNS ? widest[j] - width(row->cell[j]) + 2 : 0;
        fprintf(out, "%s%*s", row->cell[j], pad, "");
    }
    fputc('\n', out);
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
static void put_ranking(const struct session *session, size_t family, FILE *out)
{
    const struct comparison_family *f = &session->families[family];
    char about[ANSWER_ABOUT_SIZE], clean[512], value[TEXT_QUANTITY_SIZE];
    int widest = 0;
    if (f->count < 3)
        return;
    answer_family_about(session, f, about, sizeof about);
    fprintf(out, "\nranking: %s\n", text_clean(about, clean, sizeof clean));
    for (size_t i = 0; i < f->count; i++) {
        int wide = width(text_clean(session->feeders[f->members[i]].name, clean, sizeof clean));
        widest = wide > widest ? wide : widest;
    }
    for (size_t i = 0; i < f->count; i++) {
        text_clean(session->feeders[f->members[i]].name, clean, sizeof clean);
        fprintf(out, "%2zu  %s%*s  %s  %s\n", i + 1, clean, widest - width(clean), "",
                answer_family_value(session, family, i, value, sizeof value), f->letters[i]);
    }
}

static void put_rankings(const struct session *session, FILE *out)
{
    bool any = false;
    for (size_t i = 0; i < session->family_count; i++) {
        put_ranking(session, i, out);
        any = any || session->families[i].count > 2;
    }
    if (any)
        fputs("Feeders that share a letter were not shown to differ.\n", out);
}

/* The comparisons of one test under a heading; of pushes at one speed where test is "". */
static void put_group(const struct session *session, const char *test, FILE *out)
{
    static const struct row push_head = {{"verdict", "a", "b", "quantity", "speed", "difference a - b",
                                          "adjusted p", "resampled"}},
                            test_head = {{"verdict", "a", "b", "quantity", "where", "difference a - b",
                                          "adjusted p", "resampled"}};
    const struct row *head = test[0] == 0 ? &push_head : &test_head;
    int widest[COLUMNS] = {0};
    bool any = false;
    struct row row;
    /* Rows are made twice, once for their widths: of many feeders all at once would take more room than the
     * rest of the session. */
    widen(head, widest);
    for (size_t i = 0; i < session->comparison_count; i++) {
        if (strcmp(session->comparisons[i].test, test) != 0)
            continue;
        fill_row(session, &session->comparisons[i], &row);
        widen(&row, widest);
        any = true;
    }
    if (!any)
        return;
    fputs("\n", out);
    if (test[0] != 0) {
        char clean[64];
        fprintf(out, "%s\n", text_clean(answer_test_title(test), clean, sizeof clean));
    }
    put_row(head, widest, out);
    for (size_t i = 0; i < session->comparison_count; i++) {
        if (strcmp(session->comparisons[i].test, test) != 0)
            continue;
        fill_row(session, &session->comparisons[i], &row);
        put_row(&row, widest, out);
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
            "Resampled: the same mean difference over %d draws of the runs (of whole blocks where compared "
            "within "
            "blocks), without\n2.5 %% at either end: a plain check, calibration left out, on which no "
            "verdict rests. "
            "Of fewer than %d (few) it is too narrow\nto mean much.\n",
            BOOTSTRAP_DRAWS, BOOTSTRAP_UNITS_FEW);
}

enum err_code compare_text_write(const struct session *session, FILE *out, struct err *e)
{
    const char *tests[ANSWER_TESTS_MAX];
    size_t test_count = answer_tests(session, tests, ANSWER_TESTS_MAX);
    enum err_code code;
    if (session->simulated)
        fputs("SIMULATED DATA\n", out);
    code = put_headlines(session, out, e);
    if (code == ERR_OK && session->comparison_count > 0) {
        put_rankings(session, out);
        put_group(session, "", out);
        for (size_t i = 0; i < test_count; i++)
            put_group(session, tests[i], out);
        fputs("\n± is half the width of the 95 % interval of the pair alone. Adjusted p: over the pairs of "
              "feeders measured alike, then over quantities.\n",
              out);
        explain_resampled(session, out);
        put_notes(session, out);
        code = put_reasons(session, out, e);
    }
    if (code == ERR_OK)
        code = quality_text_write(session, out, e);
    return code;
}
