/* How long it takes to read a run file into columns: bench_read FILE [THREADS [TIMES]]. The file is read once
 * unmeasured, so that it is in memory, and then TIMES times (5); prints one line for each:
 *     read_s=SECONDS rows=ROWS
 * With "write" in place of THREADS it writes the file instead, of TIMES rows (10 million) as a run has them.
 * With "wait" it reads once for each line that comes on standard input, with THREADS after it. */
#include "datasets/format/run_csv.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define ROWS_OF_A_LONG_RUN 10000000

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int read_once(const char *path, int threads, int tell)
{
    const struct run_csv_how how = {.threads = threads};
    struct run_columns columns;
    struct err e;
    double start_s = now_s();
    double taken_s;
    enum err_code code = run_csv_read_how(path, &how, &columns, &e);
    taken_s = now_s() - start_s;
    if (code != ERR_OK) {
        fprintf(stderr, "%s:%lld: %s\n", path, (long long)e.line, e.text);
        return 1;
    }
    if (tell) {
        printf("read_s=%.6f rows=%zu\n", taken_s, columns.n);
        fflush(stdout);
    }
    run_columns_free(&columns);
    return 0;
}

/* Ten thousand samples a second, pushes of 2 s with their rise of force, and noise from a generator that
 * every machine repeats. */
static int write_run(const char *path, int64_t rows)
{
    FILE *out = fopen(path, "w");
    uint64_t state = 20261129;
    int bad;
    if (out == NULL)
        return 1;
    fputs(RUN_CSV_HEADER "\n", out);
    for (int64_t i = 0; i < rows; i++) {
        char row[RUN_CSV_ROW_BYTES_MAX] = "";
        struct raw_sample s;
        int32_t noise;
        size_t length;
        state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
        noise = (int32_t)(state >> 50) - 8192;
        s = (struct raw_sample){.time_us = 100 * i,
                                .force_counts = (int32_t)(480000 + 43 * (i % 20000) + noise),
                                .commanded_steps = (int32_t)(i / 2),
                                .encoder_counts = (int32_t)(i / 3)};
        length = run_csv_format_row(&s, true, row);
        fwrite(row, 1, length, out);
    }
    bad = ferror(out);
    return fclose(out) != 0 || bad ? 1 : 0;
}

static long number(const char *word)
{
    char *end;
    long value = strtol(word, &end, 10);
    if (*word == 0 || *end != 0 || value < 1 || value > 1000000000) {
        fprintf(stderr, "bench_read: '%s' is no number\n", word);
        exit(2);
    }
    return value;
}

int main(int count, char **words)
{
    const char *what = count > 2 ? words[2] : "1";
    long more = count > 3 ? number(words[3]) : 0;
    if (count < 2) {
        fprintf(stderr, "bench_read FILE [THREADS [TIMES]]\n");
        return 2;
    }
    if (strcmp(what, "write") == 0)
        return write_run(words[1], more > 0 ? more : ROWS_OF_A_LONG_RUN);
    if (strcmp(what, "wait") == 0) {
        char line[64];
        while (fgets(line, sizeof line, stdin) != NULL) {
            if (read_once(words[1], more > 0 ? (int)more : 1, 1) != 0)
                return 1;
        }
        return 0;
    }
    if (read_once(words[1], (int)number(what), 0) != 0)
        return 1;
    for (long i = 0; i < (more > 0 ? more : 5); i++) {
        if (read_once(words[1], (int)number(what), 1) != 0)
            return 1;
    }
    return 0;
}
