#include "analyze/numerics/hill.h"

#include <math.h>

#define CLIMB_MAX    24
#define CROSSING_MAX 30
#define END_HALVINGS 6                 /* in search of a summit next to an end */
static const double GOLDEN = 0.381966; /* share of a golden section */
/* No two heights are asked for that lie nearer than this part of the bracket. */
static const double NEAREST = 1e-4;
/* A crossing is found when what is left is this part of the height above it. */
static const double CROSSING_NEAR = 1e-3;

void hill_climb(const struct hill *hill, double low, double low_height, double high, double high_height,
                double rise, double *top, double *top_height)
{
    /* From an end towards it, until a point inside is better. */
    for (int i = 0; *top == low || *top == high; i++) {
        double next = (low + high) / 2, height;
        if (i == END_HALVINGS)
            return;
        height = hill->height(next, hill->context);
        if (height > *top_height) {
            *top = next;
            *top_height = height;
        } else {
            *(*top == low ? &high : &low) = next;
            *(*top == low ? &high_height : &low_height) = height;
        }
    }
    for (int i = 0; i < CLIMB_MAX; i++) {
        double x = *top, left = x - low, right = high - x, height;
        double fall_left = (*top_height - low_height) / left,
               fall_right = (*top_height - high_height) / right;
        double next = x + (fall_left * right - fall_right * left) / (fall_left + fall_right) / 2;
        double promised = (next - x) * (next - x) * (fall_left + fall_right) / (high - low);
        if (promised < rise && i > 0) {
            *top = next;
            return;
        }
        if (i % 6 == 5 || !(next > low) || !(next < high))
            next = left > right ? x - GOLDEN * left : x + GOLDEN * right;
        else if (fabs(next - x) < NEAREST * (high - low))
            next = x + (left > right ? -NEAREST : NEAREST) * (high - low);
        else if (fabs(next - x) < 0.1 * (next > x ? right : left))
            next += next - x; /* past the summit, so that both ends come near it */
        height = hill->height(next, hill->context);
        if (height > *top_height) {
            *(next > x ? &low : &high) = x;
            *(next > x ? &low_height : &high_height) = *top_height;
            *top = next;
            *top_height = height;
        } else {
            *(next > x ? &high : &low) = next;
            *(next > x ? &high_height : &low_height) = height;
        }
    }
}

double hill_crossing(const struct hill *hill, double level, double inside, double inside_height,
                     double outside, double outside_height)
{
    double above = inside_height - level, below = outside_height - level, near = CROSSING_NEAR * above;
    int stayed = 0;
    for (int i = 0; i < CROSSING_MAX && fabs(inside - outside) > 1e-12 * fabs(inside); i++) {
        double share = below > -1e6 ? above / (above - below) : 0.5;
        double x = inside + fmin(0.9, fmax(0.1, share)) * (outside - inside);
        double height = hill->height(x, hill->context) - level;
        if (height >= 0) {
            inside = x;
            above = height;
            below = stayed == 1 ? below / 2 : below;
            stayed = 1;
            if (height <= near)
                break;
        } else {
            outside = x;
            below = height;
            above = stayed == -1 ? above / 2 : above;
            stayed = -1;
        }
    }
    return inside;
}
