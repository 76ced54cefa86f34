#include "rig/model/push_line.h"

#include <math.h>

static const double PI = 3.14159265358979323846;

static double least(double a, double b)
{
    return a < b ? a : b;
}

static double most(double a, double b)
{
    return a > b ? a : b;
}

static bool has_tube(const struct push_line *line)
{
    return line->ratio > 1 || line->clearance_mm > 0;
}

struct push_line push_line_blocked(const struct model_parameters *p)
{
    const struct model_fixture *f = &p->fixture;
    double section_mm2 = PI * f->filament_diameter_mm * f->filament_diameter_mm / 4;
    bool tube = p->tube.bend_rad > 0;
    struct push_line line = {
        .column_n_per_mm = f->filament_modulus_mpa * section_mm2 / f->free_length_mm,
        .end_n_per_mm = f->stiffness_n_per_mm,
        .ratio = tube ? exp(p->tube.friction * p->tube.bend_rad) : 1,
        .clearance_mm = tube ? p->tube.clearance_mm : 0,
        .series_n_per_mm = model_stiffness_n_per_mm(f),
        .wall_mm = f->gap_mm,
        .slides_at_n = INFINITY,
    };
    return line;
}

struct push_line push_line_of(const struct model_parameters *p, double given_mm)
{
    struct push_line line = push_line_blocked(p);
    line.wall_mm += given_mm;
    if (p->fixture.end == MODEL_END_FREE)
        line.wall_mm = INFINITY;
    if (p->fixture.end == MODEL_END_BRAKE)
        line.slides_at_n = p->fixture.brake_n;
    return line;
}

/* Filament travel per newton at the load cell while sliding forward and while sliding back, mm/N. */
static double forward_compliance(const struct push_line *line)
{
    return line->ratio / line->column_n_per_mm + 1 / line->end_n_per_mm;
}

static double back_compliance(const struct push_line *line)
{
    return 1 / (line->ratio * line->column_n_per_mm) + 1 / line->end_n_per_mm;
}

double push_line_cell_stiffness(const struct push_line *line)
{
    return 1 / forward_compliance(line);
}

double push_line_feeder_stiffness(const struct push_line *line)
{
    return line->ratio / forward_compliance(line);
}

/* Where the end force would pass the brake's load, the filament slides through by what takes it back there;
 * per_n is the filament travel of one newton. */
static void slide(const struct push_line *line, struct push_line_state *s, double per_n)
{
    if (s->force_end_n > line->slides_at_n) {
        s->given_mm += (s->force_end_n - line->slides_at_n) * per_n;
        s->force_end_n = line->slides_at_n;
    }
}

static void move_forward(const struct push_line *line, struct push_line_state *s, double travel_mm)
{
    double left = travel_mm;
    if (s->force_end_n > 0) {
        double stick =
            least(left, most(0, line->ratio * s->force_end_n - s->force_feeder_n) / line->column_n_per_mm);
        s->force_feeder_n += line->column_n_per_mm * stick;
        left -= stick;
    }
    double play = least(left, s->play_mm);
    s->play_mm -= play;
    left -= play;
    if (!(s->force_end_n > 0)) {
        /* What is left of the way when the filament end stands at the wall; its start is not yet moved. */
        double end_mm = s->filament_mm + play + s->play_mm;
        left -= least(left, most(0, line->wall_mm + s->given_mm - end_mm));
    }
    if (left > 0) {
        s->force_end_n += left / forward_compliance(line);
        slide(line, s, forward_compliance(line));
        s->force_feeder_n = line->ratio * s->force_end_n;
    }
    s->filament_mm += travel_mm;
}

static void move_back(const struct push_line *line, struct push_line_state *s, double travel_mm)
{
    double left = travel_mm;
    double stick =
        least(left, most(0, s->force_feeder_n - s->force_end_n / line->ratio) / line->column_n_per_mm);
    s->force_feeder_n -= line->column_n_per_mm * stick;
    left -= stick;
    double slides = least(left, s->force_end_n * back_compliance(line));
    if (slides > 0) {
        s->force_end_n = slides < left ? 0 : most(0, s->force_end_n - slides / back_compliance(line));
        s->force_feeder_n = s->force_end_n / line->ratio;
        left -= slides;
    }
    s->play_mm += least(left, line->clearance_mm - s->play_mm);
    s->filament_mm -= travel_mm;
}

void push_line_move(const struct push_line *line, struct push_line_state *s, double travel_mm)
{
    if (!has_tube(line)) {
        s->filament_mm += travel_mm;
        s->force_end_n = most(0, s->filament_mm - line->wall_mm - s->given_mm) * line->series_n_per_mm;
        slide(line, s, 1 / line->series_n_per_mm);
        s->force_feeder_n = s->force_end_n;
    } else if (travel_mm > 0) {
        move_forward(line, s, travel_mm);
    } else if (travel_mm < 0) {
        move_back(line, s, -travel_mm);
    }
}

void push_line_give(const struct push_line *line, struct push_line_state *s, double travel_mm)
{
    double stuck_n = most(0, s->force_end_n - line->end_n_per_mm * travel_mm);
    s->given_mm += travel_mm;
    if (has_tube(line) && s->force_feeder_n <= line->ratio * stuck_n) {
        s->force_end_n = stuck_n;
        return;
    }
    s->force_end_n =
        most(0, s->filament_mm + s->play_mm - line->wall_mm - s->given_mm) / forward_compliance(line);
    s->force_feeder_n = line->ratio * s->force_end_n;
}

double push_line_release_mm(const struct push_line *line, const struct push_line_state *s)
{
    if (!(s->force_feeder_n > 0))
        return 0;
    return (s->force_feeder_n - s->force_end_n / line->ratio) / line->column_n_per_mm +
           s->force_end_n * back_compliance(line);
}

double push_line_far_end_mm(const struct push_line *line, const struct push_line_state *s)
{
    return s->filament_mm + s->play_mm - s->force_feeder_n / line->column_n_per_mm;
}

struct push_line_state push_line_pushed(const struct push_line *line, double force_feeder_n)
{
    double end_n = force_feeder_n / line->ratio;
    struct push_line_state s = {
        .filament_mm = line->wall_mm + end_n * forward_compliance(line),
        .force_feeder_n = force_feeder_n,
        .force_end_n = end_n,
        .play_mm = 0,
    };
    return s;
}
