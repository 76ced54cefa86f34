/* Summits and borders of a smooth function of one variable that costs much to work out: fewer values than
 * a minimiser or root finder needs that goes by the width of its bracket. Pure numbers. */
#ifndef ANALYZE_NUMERICS_HILL_H
#define ANALYZE_NUMERICS_HILL_H

struct hill {
    double (*height)(double x, void *context);
    void *context;
};

/* The highest point that is found between low and high, at first *top with height *top_height, which is not
 * below that of either end and may be one of them: parabolas through three points, or golden sections where
 * they do not get on. Ends when a parabola promises a rise of less than `rise`, and
 * then on its top, where the height is not worked out any more. */
void hill_climb(const struct hill *hill, double low, double low_height, double high, double high_height,
                double rise, double *top, double *top_height);

/* Where the height crosses `level` between inside, which is not below it, and outside, which is: false
 * positions, with the end that stays halved. What is returned is not below the level, and above it by at most
 * a thousandth of what inside is. */
double hill_crossing(const struct hill *hill, double level, double inside, double inside_height,
                     double outside, double outside_height);

#endif
