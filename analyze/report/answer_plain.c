#include "analyze/report/answer_plain.h"

#include "analyze/bench_test.h"
#include "analyze/report/answer.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NAMES_MAX 6 /* feeders named one by one; more are counted */
#define PAIRS_MAX 6 /* pairs told one by one; the table has all */

/* Add a line to a part; false without memory. A line beyond the last place is not needed: the table has it.
 */
__attribute__((format(printf, 2, 3))) static bool add(struct answer_plain *part, const char *format, ...)
{
    va_list arguments;
    char *line = NULL;
    int length;
    if (part->count == ANSWER_PLAIN_LINES)
        return true;
    va_start(arguments, format);
    length = vasprintf(&line, format, arguments);
    va_end(arguments);
    if (length < 0)
        return false;
    part->lines[part->count++] = line;
    return true;
}

/* "a, b and c" of those names, or "a, b and 5 more". */
static void put_names(FILE *out, const char *const *names, size_t count)
{
    size_t named = count <= NAMES_MAX ? count : NAMES_MAX - 1;
    for (size_t i = 0; i < named; i++)
        fprintf(out, "%s%s", i == 0 ? "" : i + 1 == count ? " and " : ", ", names[i]);
    if (named < count)
        fprintf(out, " and %zu more", count - named);
}

/* The same as text; the caller frees; NULL without memory. */
static char *names_text(const char *const *names, size_t count)
{
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    if (out == NULL)
        return NULL;
    put_names(out, names, count);
    if (fclose(out) == 0)
        return text;
    free(text);
    return NULL;
}

static char *feeder_names(const struct session *session,
                          bool (*is)(const struct session *session, size_t feeder))
{
    const char **names = calloc(session->feeder_count + 1, sizeof *names);
    size_t count = 0;
    char *text;
    if (names == NULL)
        return NULL;
    for (size_t i = 0; i < session->feeder_count; i++) {
        if (is(session, i))
            names[count++] = session->feeders[i].name;
    }
    text = names_text(names, count);
    free(names);
    return text;
}

/* Runs that the operator had repeated, so that they do not count. */
static size_t count_repeated(const struct session *session)
{
    size_t repeated = 0;
    for (size_t i = 0; i < session->run_count; i++)
        repeated += session->runs[i].record->repeated_by > 0;
    return repeated;
}

/* Which, and what counts in their place: "run 3 by run 4, run 7 by run 8"; with their series where there are
 * several. */
static void put_repeated(FILE *out, const struct session *session)
{
    const char *between = "";
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        if (run->record->repeated_by == 0)
            continue;
        fputs(between, out);
        if (session->series_count > 1)
            fprintf(out, "series %zu ", run->series + 1);
        fprintf(out, "run %d by run %d", run->record->number, run->record->repeated_by);
        between = ", ";
    }
}

/* Runs that do not count, each by its number; false without memory. */
static bool tell_repeated(const struct session *session, size_t repeated, struct answer_plain *part)
{
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    bool done;
    if (out == NULL)
        return false;
    put_repeated(out, session);
    done =
        fclose(out) == 0 && add(part, "%zu more %s repeated by the operator and %s not count: %s.", repeated,
                                repeated == 1 ? "was" : "were", repeated == 1 ? "does" : "do", text);
    free(text);
    return done;
}

/* Pushes of the plain kind that count, the slowest and the fastest of them. */
static size_t count_pushes(const struct session *session, double *slow_mm_s, double *fast_mm_s)
{
    size_t pushes = 0;
    *slow_mm_s = INFINITY;
    *fast_mm_s = 0;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_record *r = session->runs[i].record;
        if (!bench_test_is_plain_push(r->test) || r->repeated_by > 0)
            continue;
        pushes++;
        *slow_mm_s = fmin(*slow_mm_s, r->speed_mm_s);
        *fast_mm_s = fmax(*fast_mm_s, r->speed_mm_s);
    }
    return pushes;
}

/* Length of a feeder's name without the "(series 2)" that keeps it apart. */
static int stem_length(const char *name)
{
    const char *series = strstr(name, " (series ");
    return (int)(series != NULL ? (size_t)(series - name) : strlen(name));
}

struct stem {
    char name[FEEDER_NAME_MAX + 1];
};

/* What the feeders are called, each name once: a gear that went through eight series is not eight gears to a
 * reader. Returns how many; stems and names have room for all feeders, and names point into stems. */
static size_t distinct_names(const struct session *session, struct stem *stems, const char **names)
{
    size_t count = 0;
    for (size_t i = 0; i < session->feeder_count; i++) {
        const char *name = session->feeders[i].name;
        size_t k = 0;
        snprintf(stems[count].name, sizeof stems[count].name, "%.*s", stem_length(name), name);
        while (k < count && strcmp(names[k], stems[count].name) != 0)
            k++;
        if (k == count) {
            names[count] = stems[count].name;
            count++;
        }
    }
    return count;
}

/* Which feeders, in how many runs; false without memory. */
static bool tell_feeders(const struct session *session, size_t runs, struct answer_plain *part)
{
    struct stem *stems = calloc(session->feeder_count + 1, sizeof *stems);
    const char **names = calloc(session->feeder_count + 1, sizeof *names);
    bool room = stems != NULL && names != NULL;
    size_t count = room ? distinct_names(session, stems, names) : 0;
    char *text = room ? names_text(names, count) : NULL, said[64];
    bool done = text != NULL;
    if (session->series_count > 1)
        snprintf(said, sizeof said, "%zu series with %zu runs", session->series_count, runs);
    else
        snprintf(said, sizeof said, "%zu runs", runs);
    if (count == 1)
        done = done && add(part, "One filament feeder, %s, in %s.", text, said);
    else
        done = done && add(part, "%zu filament feeders, in %s: %s.", count, said, text);
    if (count < session->feeder_count)
        done = done && add(part, "A feeder of the same name in another series is counted by itself below.");
    free(names);
    free(stems);
    free(text);
    return done;
}

static bool what_was_compared(const struct session *session, struct answer_plain *part)
{
    double slow_mm_s, fast_mm_s;
    size_t pushes = count_pushes(session, &slow_mm_s, &fast_mm_s), tests;
    size_t repeated = count_repeated(session);
    const char *names[ANSWER_TESTS_MAX];
    char from[64], to[64], *text;
    bool done = tell_feeders(session, session->run_count - repeated, part);
    part->question = "What was measured?";
    if (done && repeated > 0)
        done = tell_repeated(session, repeated, part);
    text_measure(slow_mm_s, "mm/s", from, sizeof from);
    text_measure(fast_mm_s, "mm/s", to, sizeof to);
    if (done && pushes > 0)
        done =
            add(part,
                "Each pushed filament against a closed end until the feed stopped, %zu push%s in all, at "
                "%s%s%s. The "
                "force at which it stopped is the stall force: the higher, the harder the feeder can push.",
                pushes, pushes == 1 ? "" : "es", from, slow_mm_s < fast_mm_s ? " to " : "",
                slow_mm_s < fast_mm_s ? to : "");
    tests = answer_tests(session, names, ANSWER_TESTS_MAX);
    for (size_t i = 0; i < tests; i++)
        names[i] = answer_test_title(names[i]);
    text = names_text(names, tests);
    done = done && text != NULL;
    if (done && tests > 0)
        done = add(part, "%s: %s. Each has a section of its own below.",
                   pushes > 0 ? "Other tests and what follows from them" : "The tests", text);
    free(text);
    return done;
}

/* ", about 49 % more", ", about 2.1 times as hard": the difference as a share of the lower mean; "" where
 * that would say nothing. */
static const char *as_share(const struct comparison *c, char *buffer, size_t size)
{
    double low = fmin(c->mean_a, c->mean_b), share = 100 * fabs(c->difference.value) / low;
    char number[48];
    buffer[0] = 0;
    if (low > 0 && isfinite(share) && share >= 100)
        snprintf(buffer, size, ", about %s times as hard",
                 text_number(1 + share / 100, 2, number, sizeof number));
    else if (low > 0 && isfinite(share) && share >= 1)
        snprintf(buffer, size, ", about %s %% more", text_number(share, 2, number, sizeof number));
    return buffer;
}

static bool tell_pair(const struct session *session, const struct comparison *c, struct answer_plain *part)
{
    const char *a = session->feeders[c->a].name, *b = session->feeders[c->b].name;
    char amount[TEXT_QUANTITY_SIZE], most[TEXT_QUANTITY_SIZE], share[64], where[80];
    struct quantity d = c->difference;
    double farthest = fmax(fabs(d.low_95), fabs(d.high_95));
    bool higher_b = c->verdict == VERDICT_B_HIGHER;
    if (higher_b) {
        d.value = -c->difference.value;
        d.low_95 = -c->difference.high_95;
        d.high_95 = -c->difference.low_95;
    }
    text_quantity(&d, answer_unit(c), amount, sizeof amount);
    text_rounded(farthest, text_decimals((d.high_95 - d.low_95) / 2), most, sizeof most);
    switch (c->verdict) {
    case VERDICT_A_HIGHER:
    case VERDICT_B_HIGHER:
        return add(part, "At %s %s pushes harder than %s, by %s%s.", answer_where(c, where, sizeof where),
                   higher_b ? b : a, higher_b ? a : b, amount, as_share(c, share, sizeof share));
    case VERDICT_EQUIVALENT:
        return add(part, "%s and %s push alike: they differ by less than what was said to matter, %s.", a, b,
                   text_measure(c->matters, answer_unit(c), amount, sizeof amount));
    case VERDICT_NO_DIFFERENCE_SHOWN:
        if (!d.present || d.at_least || !isfinite(farthest))
            return add(part, "%s and %s: no difference shown.", a, b);
        return add(part,
                   "%s and %s: no difference shown. They may push alike, or one of them harder by up to "
                   "about %s %s: "
                   "these runs cannot tell.",
                   a, b, most, answer_unit(c));
    default:
        return add(part, "%s and %s cannot be compared: %s.", a, b,
                   c->reasons.count > 0 ? text_list_at(&c->reasons, 0) : "they were not measured alike");
    }
}

static int rank_of(const struct comparison *c)
{
    switch (c->verdict) {
    case VERDICT_A_HIGHER:
    case VERDICT_B_HIGHER:
        return 0;
    case VERDICT_NOT_COMPARABLE:
        return 2;
    default:
        return 1;
    }
}

/* The pairs at the reference speed: what is shown first, then what is not, then what cannot be told. */
static bool which_pushes_harder(const struct session *session, struct answer_plain *part)
{
    size_t told = 0, all = 0;
    bool done = true;
    part->question = "Which one pushes harder, and by how much?";
    for (size_t i = 0; i < session->comparison_count; i++)
        all += answer_is_headline(session, &session->comparisons[i]);
    for (int rank = 0; rank < 3; rank++) {
        for (size_t i = 0; i < session->comparison_count && told < PAIRS_MAX && done; i++) {
            const struct comparison *c = &session->comparisons[i];
            if (!answer_is_headline(session, c) || rank_of(c) != rank)
                continue;
            done = tell_pair(session, c, part);
            told++;
        }
    }
    if (done && told < all)
        done = add(part, "That is %zu of %zu pairs; the section on the comparison has them all.", told, all);
    return done;
}

static bool how_sure(const struct session *session, struct answer_plain *part)
{
    bool pairs = session->comparison_count > 0, done;
    part->question = "How sure is that?";
    done =
        add(part,
            "The number behind ± says how far off a value may be: of a hundred such numbers, about 95 are no "
            "further from the truth than that.");
    if (done && pairs)
        done = add(
            part,
            "A difference is called shown when feeders that are in truth alike would look so different by "
            "chance in fewer than 5 of 100 such reports.");
    if (done && pairs)
        done =
            add(part,
                "“No difference shown” does not mean “the same”. It means that what is left to chance is too "
                "large here to tell: more runs might show a difference, or show that it is too small to "
                "matter.");
    if (done && session->simulated)
        done =
            add(part,
                "Here all of it is simulated: nothing was measured on a bench, and no real feeder is meant.");
    return done;
}

/* What gave way in every run of the feeder at its reference speed; LIMITED_COUNT where that is not one thing.
 */
static enum limited_by sole_limit(const struct session *session, size_t feeder)
{
    const struct speed_point *point = answer_reference_point(&session->feeders[feeder]);
    for (int i = 0; point != NULL && i < LIMITED_COUNT; i++) {
        if (point->run_count > 0 && point->limited_count[i] == point->run_count)
            return (enum limited_by)i;
    }
    return LIMITED_COUNT;
}

static bool limited_by_motor(const struct session *session, size_t feeder)
{
    return sole_limit(session, feeder) == LIMITED_MOTOR;
}

static bool limited_by_grip(const struct session *session, size_t feeder)
{
    return sole_limit(session, feeder) == LIMITED_GRIP;
}

static bool limited_by_limit(const struct session *session, size_t feeder)
{
    return sole_limit(session, feeder) == LIMITED_LIMIT;
}

static bool limited_by_several(const struct session *session, size_t feeder)
{
    const struct speed_point *point = answer_reference_point(&session->feeders[feeder]);
    enum limited_by limited = sole_limit(session, feeder);
    return point != NULL && point->run_count > 0 && (limited == LIMITED_COUNT || limited == LIMITED_UNCLEAR);
}

static bool what_it_means(const struct session *session, struct answer_plain *part)
{
    static const struct {
        bool (*is)(const struct session *session, size_t feeder);
        const char *what, *meaning;
    } LIMITS[] = {
        {limited_by_motor, "The motor gave way",
         "More motor torque, or more reduction, would push harder there; a better grip would not."},
        {limited_by_grip, "The grip on the filament gave way",
         "A gear that holds better, or more nip preload, might push harder there; a stronger motor would "
         "not."},
        {limited_by_limit, "A set limit ended every push before anything gave way",
         "How hard it can push is not known, only that it is at least as much as was reached."},
        {limited_by_several, "What gave way was not the same in every push, or could not be told",
         "The section on what gave way has the evidence for each push."},
    };
    bool done = true;
    part->question = "What does it mean?";
    for (size_t i = 0; i < sizeof LIMITS / sizeof LIMITS[0] && done; i++) {
        char *names = feeder_names(session, LIMITS[i].is);
        done = names != NULL &&
               (names[0] == 0 || add(part, "%s: %s. %s", LIMITS[i].what, names, LIMITS[i].meaning));
        free(names);
    }
    return done &&
           add(part,
               "It holds for the filament, the settings and the speeds that are listed here. Other lots, "
               "gears or motors of the same kind may differ by more than the number behind ±.");
}

enum err_code answer_plain(const struct session *session, struct answer_plain *parts, struct err *e)
{
    memset(parts, 0, ANSWER_PLAIN_PARTS * sizeof *parts);
    if (what_was_compared(session, &parts[0]) && which_pushes_harder(session, &parts[1]) &&
        how_sure(session, &parts[2]) && what_it_means(session, &parts[3]))
        return ERR_OK;
    return err_set(e, ERR_MEMORY, "out of memory for the report");
}

void answer_plain_free(struct answer_plain *parts)
{
    for (size_t i = 0; i < ANSWER_PLAIN_PARTS; i++) {
        for (size_t k = 0; k < parts[i].count; k++)
            free(parts[i].lines[k]);
        parts[i].count = 0;
    }
}
