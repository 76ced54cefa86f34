#include "analyze/report/compare_text.h"

#include "analyze/report/answer.h"
#include "analyze/report/text_format.h"

#include <stdlib.h>
#include <string.h>

#define COLUMNS   7
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

static void fill_row(const struct session *session, const struct comparison *c, struct row *row)
{
    char text[CELL_SIZE];
    bool judged = c->verdict != VERDICT_NOT_COMPARABLE;
    text_clean(answer_verdict(session, c, text, sizeof text), row->cell[0], CELL_SIZE);
    text_clean(session->feeders[c->a].name, row->cell[1], CELL_SIZE);
    text_clean(session->feeders[c->b].name, row->cell[2], CELL_SIZE);
    snprintf(row->cell[3], CELL_SIZE, "%s", answer_quantity(c));
    text_measure(c->speed_mm_s, "mm/s", row->cell[4], CELL_SIZE);
    if (judged && c->difference.present)
        snprintf(row->cell[5], CELL_SIZE, "%s%s", text_quantity(&c->difference, "N", text, sizeof text),
                 c->flags.count > 0 ? " *" : "");
    else
        snprintf(row->cell[5], CELL_SIZE, "-");
    if (c->has_p_value)
        text_p_value(c->p_value, row->cell[6], CELL_SIZE);
    else
        snprintf(row->cell[6], CELL_SIZE, "-");
}

static void put_table(const struct row *rows, size_t count, FILE *out)
{
    int widest[COLUMNS] = {0};
    for (size_t i = 0; i < count; i++) {
        for (int j = 0; j < COLUMNS; j++)
            widest[j] = width(rows[i].cell[j]) > widest[j] ? width(rows[i].cell[j]) : widest[j];
    }
    for (size_t i = 0; i < count; i++) {
        for (int j = 0; j < COLUMNS; j++) {
            int pad = j + 1 < COLUMNS ? widest[j] - width(rows[i].cell[j]) + 2 : 0;
            fprintf(out, "%s%*s", rows[i].cell[j], pad, "");
        }
        fputc('\n', out);
    }
}

static enum err_code put_sentence(const struct session *session, const struct comparison *c, FILE *out,
                                  struct err *e)
{
    char clean[8192], note[ANSWER_NOTE_SIZE];
    char *sentence = answer_sentence(session, c);
    if (sentence == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the comparison");
    fputs(text_clean(sentence, clean, sizeof clean), out);
    free(sentence);
    answer_note(&c->flags, note, sizeof note);
    fprintf(out, "%s%s\n", note[0] != 0 ? " " : "", text_clean(note, clean, sizeof clean));
    return ERR_OK;
}

static bool is_headline(const struct session *session, const struct comparison *c)
{
    return answer_at_reference(session, c->speed_mm_s) && strcmp(c->quantity, "stall_force_n") == 0;
}

/* The stall force at the reference speed, pair by pair. */
static enum err_code put_headlines(const struct session *session, FILE *out, struct err *e)
{
    char clean[1024], note[ANSWER_NOTE_SIZE];
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
        if (is_headline(session, &session->comparisons[i]))
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
        if (c->verdict != VERDICT_NOT_COMPARABLE || is_headline(session, c))
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
    char text[512], clean[512], speed[64];
    bool first = true;
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        if (c->flags.count == 0 || is_headline(session, c))
            continue;
        fputs(first ? "\n" : "", out);
        first = false;
        snprintf(text, sizeof text, "* %s against %s, %s at %s: ", session->feeders[c->a].name,
                 session->feeders[c->b].name, answer_quantity(c),
                 text_measure(c->speed_mm_s, "mm/s", speed, sizeof speed));
        fputs(text_clean(text, clean, sizeof clean), out);
        for (size_t j = 0; j < c->flags.count; j++)
            fprintf(out, "%s%s", j > 0 ? "; " : "", text_clean(c->flags.text[j], clean, sizeof clean));
        fputc('\n', out);
    }
}

enum err_code compare_text_write(const struct session *session, FILE *out, struct err *e)
{
    struct row *rows = calloc(session->comparison_count + 1, sizeof *rows);
    enum err_code code;
    static const struct row head = {
        {"verdict", "a", "b", "quantity", "speed", "difference a - b", "adjusted p"}};
    if (rows == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for the comparison");
    if (session->simulated)
        fputs("SIMULATED DATA\n", out);
    code = put_headlines(session, out, e);
    rows[0] = head;
    for (size_t i = 0; i < session->comparison_count; i++)
        fill_row(session, &session->comparisons[i], &rows[i + 1]);
    if (code == ERR_OK && session->comparison_count > 0) {
        fputs("\n", out);
        put_table(rows, session->comparison_count + 1, out);
        fputs("\n± is half the width of the 95 % interval. Adjusted p: by Holm over the whole table.\n", out);
        put_notes(session, out);
        code = put_reasons(session, out, e);
    }
    free(rows);
    return code;
}
