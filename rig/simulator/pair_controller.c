#include "rig/simulator/pair_controller.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RAPID_MM_MIN 6000.0
#define MM_PER_INCH  25.4
#define POSITION_MAX 1e6
#define RATE_MAX     1e6

void pair_controller_begin(struct pair_controller *c, int blocks, pair_answer *answer, void *context)
{
    *c = (struct pair_controller){.blocks = blocks, .answer = answer, .context = context, .slowness = 1};
}

bool pair_controller_moving(const struct pair_controller *c)
{
    return c->count > 0;
}

double pair_controller_position_mm(const struct pair_controller *c)
{
    if (c->count == 0)
        return c->from_mm;
    return c->from_mm + c->queue[0].way_mm * fmin(1, (c->now_s - c->begun_s) / c->queue[0].duration_s);
}

/* The words of a line. */
struct words {
    bool has_g, has_m, has_f, has_p, has_axis;
    int g[4];
    int g_count;
    int m;
    double f, p, axis;
};

static bool read_words(const char *line, struct words *w)
{
    *w = (struct words){0};
    while (*line != '\0' && *line != ';') {
        char *end;
        if (isspace((unsigned char)*line)) {
            line++;
            continue;
        }
        const char letter = (char)toupper((unsigned char)*line++);
        const double value = strtod(line, &end);
        if (end == line || !isfinite(value) || fabs(value) > POSITION_MAX)
            return false;
        line = end;
        if (letter == 'G' && w->g_count < 4) {
            w->has_g = true;
            w->g[w->g_count++] = (int)value;
        } else if (letter == 'M') {
            w->has_m = true;
            w->m = (int)value;
        } else if (letter == 'F') {
            w->has_f = true;
            w->f = value;
        } else if (letter == 'P') {
            w->has_p = true;
            w->p = value;
        } else if (letter != 'N' && strchr("ABCDEUVWXYZ", letter) != NULL) {
            w->has_axis = true;
            w->axis = value;
        } else if (letter != 'N') {
            return false;
        }
    }
    return true;
}

/* A motion joins the queue; returns the answer. */
static const char *queue_motion(struct pair_controller *c, const struct words *w, bool rapid)
{
    const double unit = c->inches ? MM_PER_INCH : 1;
    const double rate = rapid ? RAPID_MM_MIN : c->rate_mm_min;
    if (c->refuses)
        return "error: motion is not allowed";
    if (!w->has_axis)
        return "ok";
    const double way_mm = w->axis * unit - (c->relative ? 0 : c->planned_mm);
    if (!(rate > 0))
        return "error: no feed rate";
    if (fabs(c->planned_mm + way_mm) > POSITION_MAX)
        return "error: out of reach";
    if (fabs(way_mm) > 0) {
        if (c->count == 0)
            c->begun_s = c->now_s;
        c->queue[c->count].way_mm = way_mm;
        c->queue[c->count].duration_s = fabs(way_mm) / rate * 60 * c->slowness;
        c->count++;
        c->planned_mm += way_mm;
        c->motor_on = true;
        c->motions_begun = true;
    }
    return "ok";
}

/* Obey a line if it can be taken now; NULL: later. */
static const char *obey(struct pair_controller *c, const char *line)
{
    struct words w;
    bool motion = false;
    bool rapid = false;
    if (!read_words(line, &w))
        return "error: unknown word";
    if (w.has_m && w.m == 18) {
        if (c->count > 0)
            return NULL;
        c->motor_on = false;
    } else if (w.has_m && w.m != 0) {
        return "error: unknown M word";
    }
    motion = !w.has_g && w.has_axis;
    for (int i = 0; i < w.g_count; i++) {
        switch (w.g[i]) {
        case 0:
        case 1:
            motion = true;
            rapid = w.g[i] == 0;
            break;
        case 4:
            if (c->count > 0)
                return NULL;
            if (!c->dwelling) {
                c->dwelling = true;
                c->dwell_end_s = c->now_s + (w.has_p && w.p > 0 ? w.p : 0);
            }
            if (c->now_s < c->dwell_end_s)
                return NULL;
            c->dwelling = false;
            break;
        case 20:
        case 21:
            c->inches = w.g[i] == 20;
            break;
        case 90:
        case 91:
            c->relative = w.g[i] == 91;
            break;
        default:
            return "error: unknown G word";
        }
    }
    if (w.has_f && w.f >= 0 && w.f <= RATE_MAX)
        c->rate_mm_min = w.f * (c->inches ? MM_PER_INCH : 1);
    if (!motion)
        return "ok";
    return c->count == c->blocks ? NULL : queue_motion(c, &w, rapid);
}

static void take_waiting(struct pair_controller *c)
{
    while (c->waiting_count > 0) {
        const char *answer = obey(c, c->waiting[0]);
        if (answer == NULL)
            return;
        c->waiting_count--;
        memmove(c->waiting[0], c->waiting[1], (size_t)c->waiting_count * sizeof c->waiting[0]);
        c->answer(c->context, answer);
    }
}

void pair_controller_advance(struct pair_controller *c, double now_s)
{
    while (c->count > 0 && c->begun_s + c->queue[0].duration_s <= now_s) {
        c->now_s = c->begun_s + c->queue[0].duration_s;
        c->from_mm += c->queue[0].way_mm;
        c->count--;
        memmove(&c->queue[0], &c->queue[1], (size_t)c->count * sizeof c->queue[0]);
        c->begun_s = c->now_s; /* the next one follows without a break */
        take_waiting(c);
    }
    c->now_s = now_s;
    take_waiting(c);
}

static bool is_stop(const char *line)
{
    struct words w;
    return read_words(line, &w) && w.has_m && w.m == 0;
}

void pair_controller_line(struct pair_controller *c, double now_s, const char *line)
{
    pair_controller_advance(c, now_s);
    if (is_stop(line)) {
        c->from_mm = pair_controller_position_mm(c);
        c->planned_mm = c->from_mm;
        c->count = 0;
        c->waiting_count = 0;
        c->dwelling = false;
        c->answer(c->context, "ok");
        return;
    }
    if (c->waiting_count == PAIR_WAITING_MAX) {
        c->overflowed = true;
        return;
    }
    snprintf(c->waiting[c->waiting_count++], sizeof c->waiting[0], "%s", line);
    take_waiting(c);
}
