#include "analyze/comparison_gate.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

void comparison_reason(struct comparison *c, const char *format, ...)
{
    va_list arguments;
    char text[COMPARISON_TEXT_SIZE];
    if (c->reasons.count >= COMPARISON_REASONS_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    text_list_add(&c->reasons, text);
}

/* One difference, unless it was told before: an accepted one is kept, any other is a reason. What no longer
 * fits among the accepted ones must not pass in silence, so it is a reason again. */
static void tell(const struct session *s, struct comparison *c, enum condition_id id, const char *text)
{
    if (text_list_holds(&c->reasons, text) || text_list_holds(&c->accepted, text))
        return;
    if (s->accept[id] && c->accepted.count < COMPARISON_ACCEPTED_MAX)
        text_list_add(&c->accepted, text);
    else
        comparison_reason(c, "%s", text);
}

static bool told(const bool *already, enum condition_id id)
{
    return already != NULL && already[id];
}

/* Differences between two sets of conditions; done (CONDITION_COUNT flags) collects the fields told. */
static void compare_conditions(const struct session *s, struct comparison *c, const struct conditions *a,
                               const struct conditions *b, const double *tolerance, const bool *ignored,
                               bool *done)
{
    struct condition_difference differences[CONDITION_COUNT];
    size_t count = conditions_compare(a, b, tolerance, differences);
    for (size_t i = 0; i < count; i++) {
        if (told(ignored, differences[i].id) || done[differences[i].id])
            continue;
        done[differences[i].id] = true;
        tell(s, c, differences[i].id, differences[i].text);
    }
}

/* A feeder whose own runs differ by more than the tolerance. */
static void compare_runs(const struct session *s, struct comparison *c, const struct feeder_result *f,
                         const double *tolerance, const bool *ignored)
{
    struct condition_difference differences[CONDITION_COUNT];
    char text[COMPARISON_TEXT_SIZE];
    size_t count;
    if (f->conditions_range == NULL)
        return;
    count = conditions_compare(&f->conditions_range[0], &f->conditions_range[1], tolerance, differences);
    for (size_t i = 0; i < count; i++) {
        if (told(ignored, differences[i].id))
            continue;
        snprintf(text, sizeof text, "runs of %s among themselves: %.160s", f->name, differences[i].text);
        tell(s, c, differences[i].id, text);
    }
}

void comparison_gate(const struct session *s, struct comparison *c, const bool *ignored)
{
    const struct feeder_result *a = &s->feeders[c->a], *b = &s->feeders[c->b];
    const struct plan *plan_a = &s->series[a->series]->plan, *plan_b = &s->series[b->series]->plan;
    const struct conditions *low_a = a->conditions_range != NULL ? &a->conditions_range[0] : &a->conditions,
                            *high_a = a->conditions_range != NULL ? &a->conditions_range[1] : &a->conditions,
                            *low_b = b->conditions_range != NULL ? &b->conditions_range[0] : &b->conditions,
                            *high_b = b->conditions_range != NULL ? &b->conditions_range[1] : &b->conditions;
    double tolerance[CONDITION_COUNT];
    bool done[CONDITION_COUNT] = {false};
    for (size_t i = 0; i < CONDITION_COUNT; i++)
        tolerance[i] = fmin(plan_a->tolerance[i], plan_b->tolerance[i]);
    /* What the first runs were made under says it best; the extremes find what they do not. */
    compare_conditions(s, c, &a->conditions, &b->conditions, tolerance, ignored, done);
    compare_conditions(s, c, low_a, high_b, tolerance, ignored, done);
    compare_conditions(s, c, high_a, low_b, tolerance, ignored, done);
    compare_runs(s, c, a, tolerance, ignored);
    compare_runs(s, c, b, tolerance, ignored);
    if (s->series[a->series]->simulated != s->series[b->series]->simulated)
        comparison_reason(c, "one of the two was measured, the other is simulated");
}

void comparison_free(struct comparison *c)
{
    text_list_free(&c->reasons);
    text_list_free(&c->accepted);
    text_list_free(&c->flags);
}
