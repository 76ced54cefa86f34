#include "capture/gcode_feed.h"

#include "capture/bench_file.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct gcode_piece *kept(const struct gcode_feed *f, int64_t i)
{
    return &f->kept[i % GCODE_PIECES_KEPT];
}

double gcode_feed_end_s(const struct gcode_feed *f)
{
    return f->count > 0 ? kept(f, f->count - 1)->end_s : 0;
}

int64_t gcode_feed_end(const struct gcode_feed *f)
{
    return f->count > 0 ? kept(f, f->count - 1)->to : f->origin;
}

static void add_phase(struct gcode_feed *f, double duration_s, double from_mm_s, double to_mm_s)
{
    struct gcode_phase *p = &f->phases[f->phase_count];
    p->start_s = 0;
    p->from_mm = 0;
    if (f->phase_count > 0) {
        const struct gcode_phase *before = p - 1;
        p->start_s = before->start_s + before->duration_s;
        p->from_mm = before->from_mm + (before->from_mm_s + before->to_mm_s) / 2 * before->duration_s;
    }
    p->duration_s = duration_s;
    p->from_mm_s = from_mm_s;
    p->to_mm_s = to_mm_s;
    f->phase_count++;
}

bool gcode_feed_begin(struct gcode_feed *f, int64_t origin, int64_t goal, bool has_goal, double speed_mm_s,
                      double acceleration_mm_s2)
{
    double speed = fabs(speed_mm_s);
    double travel_mm = has_goal ? fabs((double)(goal - origin)) * GCODE_UNIT_MM : INFINITY;
    double a = acceleration_mm_s2;
    *f = (struct gcode_feed){.direction = speed_mm_s < 0 ? -1 : 1,
                             .origin = origin,
                             .goal = goal,
                             .has_goal = has_goal,
                             .acceleration_mm_s2 = a,
                             .piece_s = GCODE_PIECE_S,
                             .ahead_s = GCODE_AHEAD_S};
    if (!(speed >= GCODE_SPEED_MIN_MM_S) || !(a >= GCODE_ACCELERATION_MIN_MM_S2) || !(travel_mm > 0))
        return false;
    speed = fmin(speed, sqrt(a * travel_mm)); /* the peak, where there is no room for the whole speed */
    add_phase(f, speed / a, 0, speed);
    add_phase(f, has_goal ? fmax(0, travel_mm - speed * speed / a) / speed : INFINITY, speed, speed);
    if (has_goal)
        add_phase(f, speed / a, speed, 0);
    return true;
}

void gcode_feed_fit(struct gcode_feed *f, const struct bench_feed *bench)
{
    bool brief = bench->stop[0] == 0 && bench->lines_in_flight * GCODE_PIECE_SHORT_S >= GCODE_AHEAD_SHORT_S;
    f->piece_s = brief ? GCODE_PIECE_SHORT_S : GCODE_PIECE_S;
    f->ahead_s = brief ? GCODE_AHEAD_SHORT_S : GCODE_AHEAD_S;
}

/* Into how many equal parts a phase is cut. */
static double parts_of(const struct gcode_feed *f, const struct gcode_phase *p)
{
    return ceil(p->duration_s / f->piece_s - 1e-9);
}

/* Time at which a part of a phase begins. */
static double part_start_s(const struct gcode_feed *f, const struct gcode_phase *p, int64_t part)
{
    if (isinf(p->duration_s))
        return p->start_s + (double)part * f->piece_s;
    return p->start_s + p->duration_s * ((double)part / parts_of(f, p));
}

static double way_mm(const struct gcode_phase *p, double time_s)
{
    double t = time_s - p->start_s;
    double a = isinf(p->duration_s) || p->duration_s <= 0 ? 0 : (p->to_mm_s - p->from_mm_s) / p->duration_s;
    return p->from_mm + p->from_mm_s * t + a * t * t / 2;
}

static bool is_last(const struct gcode_feed *f, int phase, int64_t part)
{
    for (int i = phase + 1; i < f->phase_count; i++) {
        if (parts_of(f, &f->phases[i]) >= 1)
            return false;
    }
    return (double)part + 1 >= parts_of(f, &f->phases[phase]);
}

/* The phase and part of the next piece; false at the end. */
static bool find_next(const struct gcode_feed *f, int *phase, int64_t *part)
{
    *phase = f->phase;
    *part = f->part;
    while (*phase < f->phase_count && (double)*part >= parts_of(f, &f->phases[*phase])) {
        ++*phase;
        *part = 0;
    }
    return *phase < f->phase_count;
}

bool gcode_feed_next(const struct gcode_feed *f, struct gcode_piece *piece)
{
    int phase;
    int64_t part;
    const struct gcode_phase *p;
    if (!find_next(f, &phase, &part))
        return false;
    p = &f->phases[phase];
    piece->start_s = gcode_feed_end_s(f);
    piece->end_s = part_start_s(f, p, part + 1);
    piece->from = gcode_feed_end(f);
    if (f->has_goal && is_last(f, phase, part))
        piece->to = f->goal;
    else
        piece->to = f->origin + f->direction * llround(way_mm(p, piece->end_s) / GCODE_UNIT_MM);
    return true;
}

void gcode_feed_take(struct gcode_feed *f, const struct gcode_piece *piece)
{
    int phase;
    int64_t part;
    if (!find_next(f, &phase, &part))
        return;
    f->phase = phase;
    f->part = part + 1;
    f->kept[f->count++ % GCODE_PIECES_KEPT] = *piece;
}

void gcode_feed_stop(struct gcode_feed *f)
{
    double end_s = gcode_feed_end_s(f);
    double speed = 0;
    double way = fabs((double)(gcode_feed_end(f) - f->origin)) * GCODE_UNIT_MM;
    for (int i = 0; i < f->phase_count; i++) {
        const struct gcode_phase *p = &f->phases[i];
        double t = end_s - p->start_s;
        if (t < 0 || t > p->duration_s)
            continue;
        speed = p->from_mm_s;
        if (p->duration_s > 0 && !isinf(p->duration_s))
            speed += (p->to_mm_s - p->from_mm_s) * t / p->duration_s;
    }
    f->phase_count = 0;
    f->phase = 0;
    f->part = 0;
    f->has_goal = false;
    if (speed < GCODE_SPEED_MIN_MM_S)
        return;
    add_phase(f, speed / f->acceleration_mm_s2, speed, 0);
    f->phases[0].start_s = end_s;
    f->phases[0].from_mm = way;
}

double gcode_feed_position(const struct gcode_feed *f, double time_s)
{
    int64_t oldest = f->count > GCODE_PIECES_KEPT ? f->count - GCODE_PIECES_KEPT : 0;
    for (int64_t i = f->count - 1; i >= oldest; i--) {
        const struct gcode_piece *p = kept(f, i);
        if (time_s >= p->end_s)
            return (double)p->to;
        if (time_s >= p->start_s && p->end_s > p->start_s)
            return (double)p->from +
                   (double)(p->to - p->from) * ((time_s - p->start_s) / (p->end_s - p->start_s));
    }
    return f->count > 0 ? (double)kept(f, oldest)->from : (double)f->origin;
}

void gcode_feed_line(const struct gcode_piece *piece, const char *motion, char axis, char *line, size_t size)
{
    double way_mm_signed = (double)(piece->to - piece->from) * GCODE_UNIT_MM;
    double rate_mm_min = fabs(way_mm_signed) / (piece->end_s - piece->start_s) * 60;
    snprintf(line, size, "%s %c%.5f F%.4f", motion, axis, way_mm_signed, rate_mm_min);
}

enum gcode_answer gcode_feed_answer(const struct bench_feed *bench, const char *line)
{
    line += strspn(line, " \t");
    for (size_t i = 0; i < bench->refused_count; i++) {
        if (strncmp(line, bench->refused[i], strlen(bench->refused[i])) == 0)
            return GCODE_REFUSED;
    }
    return strncmp(line, bench->accepted, strlen(bench->accepted)) == 0 ? GCODE_ACCEPTED : GCODE_OTHER;
}
