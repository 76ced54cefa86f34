#include "datasets/format/sample_grid.h"

#include <math.h>

/* Wide enough for any two time stamps times any rate. */
__extension__ typedef __int128 wide;

/* The highest rate that a record may state is 10 MHz. */
#define RATE_MAX_MHZ INT64_C(10000000000)

/* Rigs are asked for a rate in whole millihertz; with it the grid is exact over any length of time. */
static int64_t to_millihertz(double rate_hz)
{
    if (!(rate_hz * 1000 >= 0.5))
        return 0;
    return rate_hz * 1000 < (double)RATE_MAX_MHZ ? llround(rate_hz * 1000) : RATE_MAX_MHZ;
}

static int64_t missing(int64_t before_us, int64_t after_us, int64_t rate_mhz)
{
    const wide us_mhz = 1000000000; /* microseconds times millihertz to a whole interval */
    wide intervals;
    if (after_us <= before_us)
        return 0;
    intervals = (2 * ((wide)after_us - before_us) * rate_mhz + us_mhz) / (2 * us_mhz);
    if (intervals <= 1)
        return 0;
    return intervals - 1 > INT64_MAX ? INT64_MAX : (int64_t)(intervals - 1);
}

int64_t sample_grid_missing(int64_t before_us, int64_t after_us, double rate_hz)
{
    return missing(before_us, after_us, to_millihertz(rate_hz));
}

int64_t sample_grid_count(const struct run_columns *columns, double rate_hz, int64_t *places)
{
    int64_t rate_mhz = to_millihertz(rate_hz);
    int64_t total = 0;
    int64_t count = 0;
    for (size_t i = 1; i < columns->n; i++) {
        int64_t here = missing(columns->time_us[i - 1], columns->time_us[i], rate_mhz);
        count += here > 0;
        total = here > INT64_MAX - total ? INT64_MAX : total + here;
    }
    if (places != NULL)
        *places = count;
    return total;
}
