#include "analyze/report/answer.h"

#include "analyze/bench_test.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/text_format.h"
#include "datasets/format/column.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const LIMITED_WORDS[LIMITED_COUNT] = {
    "motor-limited", "grip-limited", "stopped by a set limit", "limited by something that is not clear"};

const struct answer_test ANSWER_TESTS_KNOWN[ANSWER_TESTS] = {
    {"speed-sweep", "Speed sweep",
     "Pushes into a blocked end at one speed after another: what the motor&#8217;s torque does with speed, "
     "and "
     "what of the motor can be told from that."},
    {"loaded-feed", "Loaded feed",
     "The feeder feeds at constant speed against a steady brake, load after load, and an encoder on the "
     "filament tells how much of the feed is lost."},
    {"preload-sweep", "Preload",
     "Pushes into a blocked end at one nip preload after another: where the stall force rises with the "
     "preload the grip limits it, where it no longer rises the motor does."},
    {"reversal", "Reversal",
     "The feeder goes forward and back below the slip onset, again and again. The loop of force against feed "
     "shows the motion that is lost at each turn, and the energy that stays in it."},
    {"free-run", "Free run",
     "Feed with nothing in the way: how quiet and steady the bench is, and how the feed ripples with each "
     "turn of the drive gear, each tooth, each turn of the motor and each full step."},
    {"melt-push", "Melt push",
     "The feeder pushes into a hot end at one rate after another. The force that this takes is the load "
     "line of the hot end."},
    {"endurance", "Endurance",
     "One push, repeated many times on the same gear: whether the grip fades with the metres fed, and what "
     "cleaning brings back."},
    {"operating-chart", "Operating chart",
     "The load line of the hot end laid over what the feeder can push, by motor and by grip: the highest "
     "rate that it may be asked for, and what would give way first."},
};

const char *answer_test_title(const char *name)
{
    for (size_t i = 0; i < ANSWER_TESTS; i++) {
        if (strcmp(ANSWER_TESTS_KNOWN[i].name, name) == 0)
            return ANSWER_TESTS_KNOWN[i].title;
    }
    return name;
}

const struct outcome *answer_outcome(const struct feeder_result *feeder, const char *test)
{
    for (size_t i = 0; i < feeder->outcome_count; i++) {
        if (strcmp(feeder->outcomes[i].test, test) == 0)
            return &feeder->outcomes[i];
    }
    return NULL;
}

static bool listed(const char *const *names, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++) {
        if (strcmp(names[i], name) == 0)
            return true;
    }
    return false;
}

size_t answer_tests(const struct session *session, const char **names, size_t max)
{
    size_t count = 0;
    for (size_t k = 0; k < ANSWER_TESTS; k++) {
        for (size_t i = 0; i < session->feeder_count; i++) {
            if (count < max && answer_outcome(&session->feeders[i], ANSWER_TESTS_KNOWN[k].name) != NULL &&
                !listed(names, count, ANSWER_TESTS_KNOWN[k].name))
                names[count++] = ANSWER_TESTS_KNOWN[k].name;
        }
    }
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t k = 0; k < session->feeders[i].outcome_count; k++) {
            if (count < max && !listed(names, count, session->feeders[i].outcomes[k].test))
                names[count++] = session->feeders[i].outcomes[k].test;
        }
    }
    return count;
}

bool answer_has_pushes(const struct session *session)
{
    for (size_t i = 0; i < session->feeder_count; i++) {
        for (size_t j = 0; j < session->feeders[i].point_count; j++) {
            if (session->feeders[i].points[j].run_count > 0)
                return true;
        }
    }
    /* Pushes of which none could be analysed are still what the series is about. */
    for (size_t i = 0; i < session->run_count; i++) {
        if (bench_test_is_plain_push(session->runs[i].record->test))
            return true;
    }
    return false;
}

bool answer_is_headline(const struct session *session, const struct comparison *c)
{
    return c->test[0] == 0 && strcmp(c->quantity, "stall_force_n") == 0 &&
           answer_at_reference(session, c->speed_mm_s);
}

const char *answer_unit(const struct comparison *c)
{
    return c->test[0] == 0 ? "N" : text_unit(c->unit);
}

char *answer_where(const struct comparison *c, char *buffer, size_t size)
{
    if (c->test[0] == 0)
        return text_measure(c->speed_mm_s, "mm/s", buffer, size);
    snprintf(buffer, size, "%s", c->setting);
    return buffer;
}

const char *answer_quantity(const struct session *session, const struct comparison *c)
{
    const struct outcome *o = c->test[0] != 0 ? answer_outcome(&session->feeders[c->a], c->test) : NULL;
    const struct outcome_quantity *q = o != NULL ? outcome_find(o, c->quantity, c->setting) : NULL;
    if (c->test[0] != 0)
        return q != NULL && q->label[0] != 0 ? q->label : c->quantity;
    return strcmp(c->quantity, "slip_onset_n") == 0 ? "slip onset" : "stall force";
}

bool answer_at_reference(const struct session *session, double speed_mm_s)
{
    return fabs(speed_mm_s - session->reference_speed_mm_s) <= 1e-6 * fabs(session->reference_speed_mm_s);
}

const struct speed_point *answer_reference_point(const struct feeder_result *feeder)
{
    return feeder->reference < feeder->point_count ? &feeder->points[feeder->reference] : NULL;
}

void answer_count(const struct session *session, size_t *judged, size_t *not_comparable)
{
    *judged = *not_comparable = 0;
    for (size_t i = 0; i < session->comparison_count; i++)
        ++*(session->comparisons[i].verdict == VERDICT_NOT_COMPARABLE ? not_comparable : judged);
}

char *answer_verdict(const struct session *session, const struct comparison *c, char *buffer, size_t size)
{
    switch (c->verdict) {
    case VERDICT_A_HIGHER:
        snprintf(buffer, size, "%s is higher", session->feeders[c->a].name);
        break;
    case VERDICT_B_HIGHER:
        snprintf(buffer, size, "%s is higher", session->feeders[c->b].name);
        break;
    case VERDICT_NO_DIFFERENCE_SHOWN:
        snprintf(buffer, size, "no difference shown");
        break;
    case VERDICT_EQUIVALENT:
        snprintf(buffer, size, "equivalent");
        break;
    case VERDICT_NOT_COMPARABLE:
    case VERDICT_COUNT:
        snprintf(buffer, size, "not comparable");
        break;
    }
    return buffer;
}

char *answer_limited(const struct speed_point *point, char *buffer, size_t size)
{
    size_t total = 0, used = 0, kinds = 0;
    for (int i = 0; i < LIMITED_COUNT; i++) {
        total += point->limited_count[i];
        kinds += point->limited_count[i] > 0;
    }
    buffer[0] = 0;
    for (int i = 0; i < LIMITED_COUNT && used < size; i++) {
        const char *word = i == LIMITED_LIMIT     ? "set limit"
                           : i == LIMITED_UNCLEAR ? "not clear"
                                                  : LIMITED_NAMES[i];
        if (point->limited_count[i] == 0)
            continue;
        if (kinds == 1)
            snprintf(buffer, size, "%s", word);
        else
            used += (size_t)snprintf(buffer + used, size - used, "%s%s in %zu of %zu runs",
                                     used > 0 ? ", " : "", word, point->limited_count[i], total);
    }
    if (total == 0)
        snprintf(buffer, size, "not known");
    return buffer;
}

struct quantity answer_motor_torque(const struct speed_point *point)
{
    struct quantity torque = point->torque_nm;
    if (torque.present && point->limited_count[LIMITED_MOTOR] < point->run_count)
        torque.at_least = true;
    return torque;
}

static bool holds(const struct result_flags *flags, const char *text)
{
    for (size_t i = 0; i < flags->count; i++) {
        if (strcmp(flags->text[i], text) == 0)
            return true;
    }
    return false;
}

char *answer_point_flag(const struct speed_point *point, size_t i, char *buffer, size_t size)
{
    const struct result_flags *stall = &point->stall_flags, *onset = &point->onset_flags;
    size_t at = 0;
    for (size_t j = 0; j < stall->count; j++) {
        if (at++ == i) {
            snprintf(buffer, size, "%s%s",
                     !point->slip_onset_n.present || holds(onset, stall->text[j]) ? "" : "stall force: ",
                     stall->text[j]);
            return buffer;
        }
    }
    for (size_t j = 0; j < onset->count; j++) {
        if (!holds(stall, onset->text[j]) && at++ == i) {
            snprintf(buffer, size, "slip onset: %s", onset->text[j]);
            return buffer;
        }
    }
    return NULL;
}

char *answer_note(const struct result_flags *flags, char *buffer, size_t size)
{
    size_t used = 0;
    buffer[0] = 0;
    for (size_t i = 0; i < flags->count && used < size; i++)
        used += (size_t)snprintf(buffer + used, size - used, "%s%s%s", i == 0 ? "Note: " : "; ",
                                 flags->text[i], i + 1 == flags->count ? "." : "");
    return buffer;
}

static const struct speed_point *point_at(const struct feeder_result *feeder, double speed_mm_s)
{
    for (size_t i = 0; i < feeder->point_count; i++) {
        if (fabs(feeder->points[i].speed_mm_s - speed_mm_s) <= 1e-6 * fabs(speed_mm_s))
            return &feeder->points[i];
    }
    return NULL;
}

/* What gave way most often at a point, and whether in all runs. LIMITED_COUNT when there are no runs. */
static enum limited_by mostly(const struct speed_point *point, size_t *count, size_t *total)
{
    enum limited_by most = LIMITED_COUNT;
    *count = *total = 0;
    for (int i = 0; point != NULL && i < LIMITED_COUNT; i++) {
        *total += point->limited_count[i];
        if (point->limited_count[i] > *count) {
            *count = point->limited_count[i];
            most = (enum limited_by)i;
        }
    }
    return most;
}

static void put_limited(FILE *out, const char *name, enum limited_by limited, size_t count, size_t total)
{
    fprintf(out, "%s is %s", name, LIMITED_WORDS[limited]);
    if (count < total)
        fprintf(out, " in %zu of %zu runs", count, total);
}

static void put_limits(FILE *out, const struct session *session, const struct comparison *c)
{
    const struct feeder_result *a = &session->feeders[c->a], *b = &session->feeders[c->b];
    size_t count_a, total_a, count_b, total_b;
    enum limited_by limited_a = mostly(point_at(a, c->speed_mm_s), &count_a, &total_a);
    enum limited_by limited_b = mostly(point_at(b, c->speed_mm_s), &count_b, &total_b);
    if (limited_a == LIMITED_COUNT || limited_b == LIMITED_COUNT)
        return;
    if (limited_a == limited_b && count_a == total_a && count_b == total_b) {
        fprintf(out, "; both are %s", LIMITED_WORDS[limited_a]);
        return;
    }
    fputs("; ", out);
    put_limited(out, a->name, limited_a, count_a, total_a);
    fputs(", ", out);
    put_limited(out, b->name, limited_b, count_b, total_b);
}

/* "creep coefficient, at 40 N (loaded feed)". */
static void put_of_test(FILE *out, const struct session *session, const struct comparison *c)
{
    fprintf(out, "%s%s%s (%s)", answer_quantity(session, c), c->setting[0] != 0 ? " " : "", c->setting,
            c->test);
}

/* "(95 % interval 27.9 N to 30.3 N, together with all pairs 27.5 N to 30.7 N)"; turned: of b minus a. */
static void put_intervals(FILE *out, const struct session *session, const struct comparison *c, bool turned)
{
    struct quantity q[2] = {c->difference, answer_simultaneous(session, c)};
    char text[TEXT_QUANTITY_SIZE];
    for (int i = 0; i < 2; i++) {
        double low = q[i].low_95;
        if (!q[i].present || q[i].at_least)
            continue;
        q[i].low_95 = turned ? -q[i].high_95 : low;
        q[i].high_95 = turned ? -low : q[i].high_95;
        fprintf(out, "%s%s", i == 0 ? "95 % interval " : ", together with all pairs ",
                text_interval(&q[i], answer_unit(c), text, sizeof text));
    }
}

static void put_higher(FILE *out, const struct session *session, const struct comparison *c, bool a_higher)
{
    const char *higher = session->feeders[a_higher ? c->a : c->b].name;
    const char *lower = session->feeders[a_higher ? c->b : c->a].name;
    char amount[TEXT_QUANTITY_SIZE], speed[64];
    struct quantity d = c->difference;
    bool onset = strcmp(c->quantity, "slip_onset_n") == 0;
    if (!a_higher) {
        d.value = -c->difference.value;
        d.low_95 = -c->difference.high_95;
        d.high_95 = -c->difference.low_95;
    }
    text_quantity(&d, answer_unit(c), amount, sizeof amount);
    if (c->test[0] != 0) {
        put_of_test(out, session, c);
        fprintf(out, ": %s is higher than %s by %s", higher, lower, d.present ? amount : "an unknown amount");
        if (d.present && !d.at_least) {
            fputs(" (", out);
            put_intervals(out, session, c, !a_higher);
            fputc(')', out);
        }
        return;
    }
    text_measure(c->speed_mm_s, "mm/s", speed, sizeof speed);
    fprintf(out,
            onset ? "%s begins to slip at a force %s higher than %s at %s"
                  : "%s pushes %s harder than %s at %s",
            higher, d.present ? amount : "an unknown amount", lower, speed);
    if (d.present && !d.at_least) {
        fputs(" (", out);
        put_intervals(out, session, c, !a_higher);
        fputc(')', out);
    }
    if (!onset)
        put_limits(out, session, c);
}

/* What the intervals do not say: that feeders are equivalent is tested one side at a time, so that a 95 %
 * interval may reach past what matters; and a difference may be shown beside it. */
static void put_equivalence(FILE *out, const struct comparison *c)
{
    char p[64];
    if (c->verdict != VERDICT_EQUIVALENT)
        return;
    if (c->has_equivalence_p_value)
        fprintf(out, "; two one-sided tests: %s", text_p_value(c->equivalence_p_value, p, sizeof p));
    if (c->shown)
        fputs("; they differ, but by less than matters", out);
}

/* "equivalent within 2 N", "no difference shown". */
static void put_likeness(FILE *out, const struct comparison *c)
{
    char matters[64];
    if (c->verdict != VERDICT_EQUIVALENT)
        fputs("no difference shown", out);
    else if (c->matters > 0)
        fprintf(out, "equivalent within %s",
                text_measure(c->matters, answer_unit(c), matters, sizeof matters));
    else
        fputs("equivalent", out);
}

static void put_alike(FILE *out, const struct session *session, const struct comparison *c)
{
    char amount[TEXT_QUANTITY_SIZE], speed[64];
    if (c->test[0] != 0) {
        put_of_test(out, session, c);
        fprintf(out, ": %s and %s: ", session->feeders[c->a].name, session->feeders[c->b].name);
        put_likeness(out, c);
        if (c->difference.present && !c->difference.at_least)
            fprintf(out, " (difference %s)",
                    text_quantity(&c->difference, answer_unit(c), amount, sizeof amount));
        put_equivalence(out, c);
        return;
    }
    fprintf(out, "%s and %s: ", session->feeders[c->a].name, session->feeders[c->b].name);
    put_likeness(out, c);
    fprintf(out, " in %s at %s", answer_quantity(session, c),
            text_measure(c->speed_mm_s, "mm/s", speed, sizeof speed));
    if (c->difference.present && !c->difference.at_least) {
        fprintf(out, " (difference %s, ", text_quantity(&c->difference, "N", amount, sizeof amount));
        put_intervals(out, session, c, false);
        fputc(')', out);
    }
    put_equivalence(out, c);
    if (strcmp(c->quantity, "slip_onset_n") != 0)
        put_limits(out, session, c);
}

/* Further sentences: what the other questions of the session cost, what more repeats would bring, and what
 * had to be accepted. */
static void put_more(FILE *out, const struct session *session, const struct comparison *c)
{
    char text[ANSWER_ACCEPTED_SIZE];
    if (answer_among(session, c, text, sizeof text)[0] != 0)
        fprintf(out, " %s.", text);
    if (answer_settle(c, text, sizeof text)[0] != 0)
        fprintf(out, " %s.", text);
    if (c->verdict != VERDICT_NOT_COMPARABLE && answer_accepted(c, text, sizeof text)[0] != 0)
        fprintf(out, " %s.", text);
}

char *answer_sentence(const struct session *session, const struct comparison *c)
{
    char speed[64];
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    if (out == NULL)
        return NULL;
    if (c->verdict == VERDICT_A_HIGHER || c->verdict == VERDICT_B_HIGHER) {
        put_higher(out, session, c, c->verdict == VERDICT_A_HIGHER);
    } else if (c->verdict != VERDICT_NOT_COMPARABLE) {
        put_alike(out, session, c);
    } else {
        if (c->test[0] != 0) {
            put_of_test(out, session, c);
            fprintf(out, ": %s and %s are not comparable", session->feeders[c->a].name,
                    session->feeders[c->b].name);
        } else {
            fprintf(out, "%s and %s are not comparable at %s", session->feeders[c->a].name,
                    session->feeders[c->b].name, text_measure(c->speed_mm_s, "mm/s", speed, sizeof speed));
        }
        for (size_t i = 0; i < c->reasons.count; i++)
            fprintf(out, "%s%s", i == 0 ? ": " : "; ", text_list_at(&c->reasons, i));
    }
    fputc('.', out);
    put_more(out, session, c);
    if (fclose(out) != 0) {
        free(text);
        return NULL;
    }
    return text;
}

/* Whether feeder f is shown to be higher than every feeder it can be compared with; counts both sorts of
 * opponent. */
static bool beats_all(const struct session *session, size_t f, size_t *beaten, size_t *not_comparable)
{
    *beaten = *not_comparable = 0;
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        if ((c->a != f && c->b != f) || !answer_is_headline(session, c))
            continue;
        if (c->verdict == VERDICT_NOT_COMPARABLE)
            ++*not_comparable;
        else if (c->verdict == (c->a == f ? VERDICT_A_HIGHER : VERDICT_B_HIGHER))
            ++*beaten;
        else
            return false;
    }
    return *beaten > 0;
}

/* Add what was accepted in the comparisons of a feeder that are told first. */
static void put_accepted_of(FILE *out, const struct session *session, size_t feeder)
{
    char text[ANSWER_ACCEPTED_SIZE];
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        if ((c->a != feeder && c->b != feeder) || !answer_is_headline(session, c) ||
            c->verdict == VERDICT_NOT_COMPARABLE || answer_accepted(c, text, sizeof text)[0] == 0)
            continue;
        fprintf(out, " Beside %s: %s.", session->feeders[c->a == feeder ? c->b : c->a].name, text);
    }
}

char *answer_hardest(const struct session *session, const struct result_flags **flags)
{
    char force[TEXT_QUANTITY_SIZE], speed[64];
    char *text = NULL;
    size_t beaten, not_comparable, length = 0;
    FILE *out;
    if (session->feeder_count < 3)
        return NULL;
    for (size_t f = 0; f < session->feeder_count; f++) {
        const struct speed_point *point = answer_reference_point(&session->feeders[f]);
        if (point == NULL || !beats_all(session, f, &beaten, &not_comparable) || beaten < 2)
            continue;
        if (flags != NULL)
            *flags = &point->stall_flags;
        out = open_memstream(&text, &length);
        if (out == NULL)
            return NULL;
        fprintf(out, "%s pushes hardest of the %zu feeders %s at %s: %s.", session->feeders[f].name,
                beaten + 1, not_comparable > 0 ? "that can be compared" : "measured",
                text_measure(session->reference_speed_mm_s, "mm/s", speed, sizeof speed),
                text_quantity(&point->stall_force_n, "N", force, sizeof force));
        put_accepted_of(out, session, f);
        if (fclose(out) != 0) {
            free(text);
            return NULL;
        }
        return text;
    }
    return NULL;
}

/* The greatest force that a run tells of, without the luck of the noise where that is to be had. */
static double greatest_n(const struct run_result *run)
{
    double greatest = run->push.stall_force_n.present ? run->push.stall_force_n.value : 0;
    bool any = run->push.stall_force_n.present;
    for (size_t i = 0; i < run->quantity_count; i++) {
        const struct run_quantity *q = &run->quantities[i];
        if (strcmp(q->unit, "N") == 0 && q->q.present) {
            greatest = fmax(greatest, q->q.value);
            any = true;
        }
    }
    return any ? greatest : fmax(0, run->push.greatest_force_n);
}

bool answer_buckling(const struct session *session, size_t feeder, char *text, size_t size)
{
    double force_n = 0;
    for (size_t i = 0; i < session->run_count; i++) {
        const struct run_result *run = &session->runs[i];
        if (run->analysed && run->feeder == feeder && run->series == session->feeders[feeder].series)
            force_n = fmax(force_n, greatest_n(run));
    }
    return force_n > 0 &&
           column_may_buckle(&session->feeders[feeder].conditions, round(10 * force_n) / 10, text, size);
}
