/* What a design can see, for a live comparison with another program: writes the multiples of the scatter as a
 * table, which seen.R reads.
 *
 *     seen_cases DIR */
#include "capture/seen_difference.h"

#include <stdio.h>

int main(int argc, char **argv)
{
    char path[4096];
    FILE *out;
    if (argc != 2)
        return 2;
    snprintf(path, sizeof path, "%s/seen.csv", argv[1]);
    out = fopen(path, "w");
    if (out == NULL)
        return 5;
    fputs("feeders,blocks,ratio\n", out);
    for (int feeders = 2; feeders <= SEEN_DIFFERENCE_FEEDERS_MAX; feeders++) {
        for (int blocks = 2; blocks <= SEEN_DIFFERENCE_BLOCKS_MAX; blocks++)
            fprintf(out, "%d,%d,%.9g\n", feeders, blocks, seen_difference(feeders, blocks));
    }
    return fclose(out) == 0 ? 0 : 5;
}
