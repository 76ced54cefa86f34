/* A bench of separate instruments, as its owner describes it in a YAML file: a force gauge that writes lines
 * of text and a motion controller that takes G-code words (ISO 6983-1). The keys are explained in README.md
 * of this folder. */
#ifndef CAPTURE_BENCH_FILE_H
#define CAPTURE_BENCH_FILE_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define BENCH_FILE_NAME_MAX    32
#define BENCH_FILE_PORT_MAX    255
#define BENCH_FILE_WORD_MAX    64
#define BENCH_FILE_PATTERN_MAX 160
#define BENCH_FILE_WORDS_MAX   16
/* A host takes a rig for gone that sends no sample for 3 sample periods, and 0.35 s at least. A gauge that
 * falls silent has to be named before. */
#define BENCH_FILE_SILENCE_SAMPLES 2.8
#define BENCH_FILE_SILENCE_S       0.32

/* The units that a gauge may write. Factors to the newton, all exact: the kilogram-force by the standard
 * acceleration of free fall 9.80665 m/s2 (3rd CGPM 1901; ISO 80000-4; NIST SP 811, 2008, appendix B), the
 * pound-force by it and the pound of 0.453 592 37 kg. */
enum bench_unit { BENCH_UNIT_N, BENCH_UNIT_KGF, BENCH_UNIT_GF, BENCH_UNIT_LBF, BENCH_UNITS };
extern const char *const BENCH_UNIT_NAMES[BENCH_UNITS]; /* "N", "kgf", "gf", "lbf" */
extern const double BENCH_UNIT_N_PER[BENCH_UNITS];

struct bench_force {
    char port[BENCH_FILE_PORT_MAX + 1];
    int baud;
    int column;                               /* from 1; 0: by pattern */
    char separator;                           /* of columns; 0: blanks, tabs and semicolons */
    char pattern[BENCH_FILE_PATTERN_MAX + 1]; /* POSIX extended regular expression; its group is the number */
    bool decimal_comma;
    char
        over_range[BENCH_FILE_WORD_MAX + 1]; /* what stands where the number should be when it is too large */
    enum bench_unit unit;
    double scale;      /* readings are multiplied by it; it carries the sign too: push force is positive */
    double resolution; /* one step of the last digit, in the unit as written */
    double capacity;   /* the greatest reading either way, in the unit as written */
    double rate_hz;    /* lines a second: as the gauge sends them, or as it is to be asked */
    bool polled;
    char poll[BENCH_FILE_WORD_MAX + 1]; /* what to send for one reading; a line feed goes behind it */
    double silence_s;                   /* the longest time without a reading */
    double latency_s, latency_standard_uncertainty_s;
};

struct bench_feed {
    char port[BENCH_FILE_PORT_MAX + 1];
    int baud;
    char axis;
    double microsteps_per_mm; /* of the controller's own setting: what it makes of one commanded mm */
    char start_up[BENCH_FILE_WORDS_MAX][BENCH_FILE_WORD_MAX + 1]; /* sent once, in this order */
    size_t start_up_count;
    char motion[BENCH_FILE_WORD_MAX + 1]; /* the word of a straight motion at a feed rate: G1 */
    char probe[BENCH_FILE_WORD_MAX + 1];  /* does nothing, and is answered: a dwell of nothing */
    char accepted[BENCH_FILE_WORD_MAX + 1];
    char refused[BENCH_FILE_WORDS_MAX][BENCH_FILE_WORD_MAX + 1];
    size_t refused_count;
    char stop[BENCH_FILE_WORD_MAX + 1];    /* "": it has none */
    char release[BENCH_FILE_WORD_MAX + 1]; /* takes the current off the motor; "": it has none */
    int lines_in_flight;                   /* how many lines may wait for their answer */
};

struct bench_file {
    char name[BENCH_FILE_NAME_MAX + 1]; /* stands for the serial number of a rig */
    bool simulated;
    struct bench_force force;
    struct bench_feed feed;
};

/* Newtons of one count of force, the resolution of the gauge. */
double bench_file_count_n(const struct bench_force *force);

/* ERR_FILE with line and column for everything that cannot be carried out. */
enum err_code bench_file_read(const char *path, struct bench_file *bench, struct err *e);
/* The same from memory; name stands for the file in messages. */
enum err_code bench_file_parse(const char *text, size_t length, const char *name, struct bench_file *bench,
                               struct err *e);

#endif
