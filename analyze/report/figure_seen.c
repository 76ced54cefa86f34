#include "analyze/report/figure_seen.h"

#include "analyze/picture_share.h"
#include "analyze/report/answer.h"
#include "analyze/report/answer_family.h"
#include "analyze/report/predict_show.h"
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#define NAMED_MAX 8 /* feeders or groups told one by one; more would be no help to a listener */

/* Append a sentence, with a space before it. */
__attribute__((format(printf, 2, 3))) static void say(struct figure *figure, const char *format, ...)
{
    size_t used = strlen(figure->seen), room = sizeof figure->seen - used;
    va_list arguments;
    int length;
    va_start(arguments, format);
    length = vsnprintf(figure->seen + used + (used > 0), room > 1 ? room - 1 : 0, format, arguments);
    va_end(arguments);
    if (length < 0 || (size_t)length + 2 > room)
        figure->seen[used] = 0;
    else if (used > 0)
        figure->seen[used] = ' ';
}

/* A value with two digits of the half width of its band, in the unit; without a band three digits. */
static const char *banded(double value, double low, double high, const char *unit, char *buffer, size_t size)
{
    struct quantity q = {.present = true, .value = value, .low_95 = low, .high_95 = high};
    return text_quantity(&q, unit, buffer, size);
}

static void seen_push(const struct session *session, struct figure *figure)
{
    const struct feeder_result *feeder = &session->feeders[figure->feeder];
    const struct run_result *least = NULL, *greatest = NULL;
    size_t pushes = 0, onsets = 0, limited[LIMITED_COUNT] = {0};
    char low[TEXT_QUANTITY_SIZE], high[TEXT_QUANTITY_SIZE];
    for (size_t i = 0; i < session->run_count && pushes < PICTURE_SHARE_PANELS_MAX; i++) {
        const struct run_result *run = &session->runs[i];
        const struct quantity *stall = &run->push.stall_force_n;
        if (!run->analysed || run->feeder != figure->feeder || !picture_share_wanted(session, run) ||
            run->push.picture == NULL || run->push.picture->n < 2)
            continue;
        pushes++;
        limited[run->push.limited_by]++;
        onsets += run->push.slip_onset_n.present;
        if (!stall->present || stall->at_least)
            continue;
        if (least == NULL || stall->value < least->push.stall_force_n.value)
            least = run;
        if (greatest == NULL || stall->value > greatest->push.stall_force_n.value)
            greatest = run;
    }
    say(figure, "%zu push%s of %s: in each the force rises with the feed until %s.", pushes,
        pushes == 1 ? "" : "es", feeder->name,
        limited[LIMITED_LIMIT] == 0        ? "something gives way"
        : limited[LIMITED_LIMIT] == pushes ? "a set limit is met"
                                           : "something gives way or a set limit is met");
    if (least != NULL && least != greatest)
        say(figure, "The stall force lies between %s (run %d) and %s (run %d).",
            text_quantity(&least->push.stall_force_n, "N", low, sizeof low), least->record->number,
            text_quantity(&greatest->push.stall_force_n, "N", high, sizeof high), greatest->record->number);
    else if (least != NULL)
        say(figure, "The stall force is %s.",
            text_quantity(&least->push.stall_force_n, "N", low, sizeof low));
    for (int i = 0; i < LIMITED_COUNT; i++) {
        static const char *const gave_way[LIMITED_COUNT] = {"the motor gave way", "the grip gave way",
                                                            "a set limit ended the push",
                                                            "what gave way is not clear"};
        if (limited[i] > 0)
            say(figure, "In %zu of %zu %s.", limited[i], pushes, gave_way[i]);
    }
    if (onsets > 0)
        say(figure, "A slip onset is marked in %zu of %zu.", onsets, pushes);
    else
        say(figure, "No slip onset was found.");
}

/* First and last point of a feeder that has the force; false where none has. */
static bool seen_ends(const struct session *session, size_t f, bool onset, struct figure *figure)
{
    const struct feeder_result *feeder = &session->feeders[f];
    const struct speed_point *first = NULL, *last = NULL;
    char speed_a[64], speed_b[64], a[TEXT_QUANTITY_SIZE], b[TEXT_QUANTITY_SIZE];
    for (size_t i = 0; i < feeder->point_count; i++) {
        const struct speed_point *p = &feeder->points[i];
        if (!(onset ? &p->slip_onset_n : &p->stall_force_n)->present)
            continue;
        first = first == NULL ? p : first;
        last = p;
    }
    if (first == NULL)
        return false;
    text_quantity(onset ? &first->slip_onset_n : &first->stall_force_n, "N", a, sizeof a);
    text_quantity(onset ? &last->slip_onset_n : &last->stall_force_n, "N", b, sizeof b);
    text_measure(first->speed_mm_s, "mm/s", speed_a, sizeof speed_a);
    text_measure(last->speed_mm_s, "mm/s", speed_b, sizeof speed_b);
    if (first == last)
        say(figure, "%s: %s at %s.", feeder->name, a, speed_a);
    else
        say(figure, "%s: %s at %s, %s at %s.", feeder->name, a, speed_a, b, speed_b);
    return true;
}

static void seen_stall(const struct session *session, struct figure *figure)
{
    bool onset = figure->kind == FIGURE_ONSET;
    say(figure, onset ? "Mean slip onset by feeder, at the lowest and the highest speed that it has one at."
                      : "Mean stall force by feeder, at the lowest and the highest speed.");
    for (size_t i = 0, named = 0; i < session->feeder_count && named < NAMED_MAX; i++)
        named += seen_ends(session, i, onset, figure);
}

/* False where the feeder has nothing to show. */
static bool seen_curve(const struct feeder_result *f, struct figure *figure)
{
    const struct torque_curve *c = &f->torque_curve;
    const size_t last = CURVE_POINTS - 1;
    char a[TEXT_QUANTITY_SIZE], b[TEXT_QUANTITY_SIZE], corner[TEXT_QUANTITY_SIZE], from[64], to[64];
    size_t known = 0, bounds = 0;
    for (size_t i = 0; i < f->point_count; i++) {
        struct quantity torque = answer_motor_torque(&f->points[i]);
        bounds += torque.present && torque.at_least;
        known += torque.present && !torque.at_least;
    }
    if (!c->present) {
        if (known + bounds > 0)
            say(figure, "%s: %zu known point%s, %zu lower bound%s, no curve.", f->name, known,
                known == 1 ? "" : "s", bounds, bounds == 1 ? "" : "s");
        return known + bounds > 0;
    }
    banded(c->torque_nm[0], c->low_95_nm[0], c->high_95_nm[0], "N m", a, sizeof a);
    banded(c->torque_nm[last], c->low_95_nm[last], c->high_95_nm[last], "N m", b, sizeof b);
    text_measure(c->speed_mm_s[0], "mm/s", from, sizeof from);
    text_measure(c->speed_mm_s[last], "mm/s", to, sizeof to);
    if (c->corner_speed_mm_s.present)
        say(figure, "%s: %s at %s, %s at %s; corner speed %s.", f->name, a, from, b, to,
            text_quantity(&c->corner_speed_mm_s, "mm/s", corner, sizeof corner));
    else
        say(figure, "%s: %s at %s, %s at %s.", f->name, a, from, b, to);
    return true;
}

static void seen_torque(const struct session *session, struct figure *figure)
{
    say(figure, "The fitted motor torque at both ends of each curve.");
    for (size_t i = 0, named = 0; i < session->feeder_count && named < NAMED_MAX; i++)
        named += seen_curve(&session->feeders[i], figure);
}

static void seen_difference(const struct session *session, struct figure *figure)
{
    const struct comparison *largest = NULL;
    size_t shown = 0, alike = 0, none = 0;
    char amount[TEXT_QUANTITY_SIZE], where[80];
    for (size_t i = 0; i < session->comparison_count; i++) {
        const struct comparison *c = &session->comparisons[i];
        if (c->test[0] != 0 || c->verdict == VERDICT_NOT_COMPARABLE || !c->difference.present ||
            c->difference.at_least)
            continue;
        alike += c->verdict == VERDICT_EQUIVALENT;
        none += c->verdict == VERDICT_NO_DIFFERENCE_SHOWN;
        if (c->verdict != VERDICT_A_HIGHER && c->verdict != VERDICT_B_HIGHER)
            continue;
        shown++;
        if (largest == NULL || fabs(c->difference.value) > fabs(largest->difference.value))
            largest = c;
    }
    say(figure, "Of %zu comparison%s %zu show%s a difference.", shown + alike + none,
        shown + alike + none == 1 ? "" : "s", shown, shown == 1 ? "s" : "");
    if (none > 0)
        say(figure, "In %zu no difference is shown.", none);
    if (alike > 0)
        say(figure, "In %zu the feeders are equivalent.", alike);
    if (largest != NULL)
        say(figure, "The largest: %s minus %s, %s at %s: %s.", session->feeders[largest->a].name,
            session->feeders[largest->b].name, answer_quantity(session, largest),
            answer_where(largest, where, sizeof where),
            text_quantity(&largest->difference, answer_unit(largest), amount, sizeof amount));
}

static void seen_budget(const struct session *session, struct figure *figure)
{
    say(figure, "What weighs most in each standard uncertainty, with its share of the variance.");
    for (size_t i = 0, named = 0; i < session->feeder_count && named < NAMED_MAX; i++) {
        const struct feeder_result *f = &session->feeders[i];
        const struct speed_point *p = answer_reference_point(f);
        size_t most = 0;
        if (p == NULL || !p->stall_force_n.present || p->stall_force_n.at_least || p->stall_budget.count == 0)
            continue;
        for (size_t k = 1; k < p->stall_budget.count; k++) {
            if (budget_share(&p->stall_budget, k) > budget_share(&p->stall_budget, most))
                most = k;
        }
        named++;
        say(figure, "%s: %s, %.0f %%.", f->name, p->stall_budget.components[most].name,
            100 * budget_share(&p->stall_budget, most));
    }
}

/* The unit at the end of an axis' label: "push force in N", "volumetric rate in mm³/s"; "" without one. */
static const char *unit_of(const char *label)
{
    const char *unit = "";
    for (const char *at = strstr(label, " in "); at != NULL; at = strstr(at + 1, " in "))
        unit = at + 4;
    return unit;
}

/* A row of points or a curve at the least and the greatest x that it has, and its greatest value where that
 * is more than both. Points lie in the order in which they were measured, which may be any. */
static void seen_row(const struct outcome_chart *chart, struct figure *figure, const char *what,
                     const char *name, const double *x, const double *y, const double *low,
                     const double *high, size_t n)
{
    const char *x_unit = unit_of(chart->x_label), *y_unit = unit_of(chart->y_label);
    char x_a[80], x_b[80], x_top[80], y_a[TEXT_QUANTITY_SIZE], y_b[TEXT_QUANTITY_SIZE],
        y_top[TEXT_QUANTITY_SIZE];
    size_t first = n, last = 0, top = 0, at;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            continue;
        top = first == n || y[i] > y[top] ? i : top;
        last = first == n || x[i] >= x[last] ? i : last;
        first = first == n || x[i] < x[first] ? i : first;
    }
    if (first == n)
        return;
    text_measure(x[first], x_unit, x_a, sizeof x_a);
    text_measure(x[last], x_unit, x_b, sizeof x_b);
    text_measure(x[top], x_unit, x_top, sizeof x_top);
    /* The top of a loop lies where its end does. */
    at = strcmp(x_top, x_a) == 0 ? top : first;
    banded(y[at], low[at], high[at], y_unit, y_a, sizeof y_a);
    at = strcmp(x_top, x_b) == 0 ? top : last;
    banded(y[at], low[at], high[at], y_unit, y_b, sizeof y_b);
    banded(y[top], low[top], high[top], y_unit, y_top, sizeof y_top);
    if (x[first] == x[last])
        say(figure, "%s “%s”: %s at %s.", what, name, y_top, x_a);
    else if (strcmp(y_top, y_a) == 0 || strcmp(y_top, y_b) == 0)
        say(figure, "%s “%s”: from %s at %s to %s at %s.", what, name, y_a, x_a, y_b, x_b);
    else
        say(figure, "%s “%s”: from %s at %s to %s at %s; greatest %s at %s.", what, name, y_a, x_a, y_b, x_b,
            y_top, x_top);
}

static void seen_outcome(const struct session *session, struct figure *figure)
{
    const struct feeder_result *f = &session->feeders[figure->feeder];
    const struct outcome *o = &f->outcomes[figure->outcome];

    const struct outcome_chart *chart = &o->charts[figure->chart];
    char at[80];
    /* The first chart of a test is the one that its headline is read off. */
    if (figure->chart == 0 && o->sentence_count > 0)
        say(figure, "%s%s%s.", strstr(o->sentences[0], f->name) == NULL ? f->name : "",
            strstr(o->sentences[0], f->name) == NULL ? ": " : "", o->sentences[0]);
    say(figure, "Upright axis: %s; level axis: %s.", chart->y_label, chart->x_label);
    for (size_t i = 0; i < chart->group_count && i < NAMED_MAX; i++) {
        const struct outcome_group *g = &chart->groups[i];
        const char *name = g->name[0] != 0 ? g->name : "measured";
        if (g->curve_count > 0)
            seen_row(chart, figure, "Line", name, g->curve_x, g->curve_y, g->curve_low, g->curve_high,
                     g->curve_count);
        else
            seen_row(chart, figure,
                     chart->path    ? "Line"
                     : chart->stems ? "Bars"
                                    : "Points",
                     name, g->x, g->y, g->y_low, g->y_high, g->point_count);
    }
    for (size_t i = 0; i < chart->mark_count; i++) {
        if (isfinite(chart->marks[i].at_x))
            say(figure, "Marked at %s: %s.",
                text_measure(chart->marks[i].at_x, unit_of(chart->x_label), at, sizeof at),
                chart->marks[i].text);
    }
}

/* For each feeder what came of it, and where the difference is largest against what the two leave open. */
static void seen_prediction(const struct session *session, struct figure *figure)
{
    for (size_t i = 0, named = 0; i < session->prediction_count && named < NAMED_MAX; i++) {
        const struct prediction *p = &session->predictions[i];
        const struct predict_measured *most = NULL;
        char words[PREDICT_WORDS_SIZE], speed[64], difference[TEXT_QUANTITY_SIZE];
        if (p->measured_count == 0)
            continue;
        named++;
        say(figure, "%s: %s", p->name, predict_verdict(p, words, sizeof words));
        for (size_t k = 0; k < p->measured_count; k++) {
            const struct predict_measured *m = &p->measured[k];
            if (m->differs && (most == NULL || fabs(m->difference_n.value) / m->joint_n >
                                                   fabs(most->difference_n.value) / most->joint_n))
                most = m;
        }
        if (most != NULL)
            say(figure, "Measured minus predicted at %s: %s.",
                text_measure(most->speed_mm_s, "mm/s", speed, sizeof speed),
                text_quantity(&most->difference_n, "N", difference, sizeof difference));
    }
}

void figure_seen(const struct session *session, struct figure *figure)
{
    typedef void seer(const struct session *session, struct figure *figure);
    static seer *const seers[] = {seen_push,       seen_stall,  seen_stall,   seen_torque,
                                  seen_difference, seen_budget, seen_outcome, seen_prediction};
    figure->seen[0] = 0;
    seers[figure->kind](session, figure);
}
