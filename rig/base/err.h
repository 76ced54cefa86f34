/* The one error record, from the place a fault is seen to the line the user reads.
 *
 * A function that can fail returns an err_code (ERR_OK is 0) and fills a caller-owned struct err.
 * The code is made once, where the fault is seen, and is passed up unchanged. Nothing here prints or
 * exits: only main.c of a program does.
 */
#ifndef RIG_BASE_ERR_H
#define RIG_BASE_ERR_H

#include <stddef.h>
#include <stdint.h>

/* Codes are split by who must act on them. */
enum err_code {
    ERR_OK = 0,
    ERR_USAGE,     /* the command line or a request is wrong: the user corrects the call (exit 2) */
    ERR_FILE,      /* an input file is missing, malformed or does not match its hash (exit 3) */
    ERR_DEVICE,    /* a port or rig is absent, silent, busy or refuses (exit 4) */
    ERR_BYTES,     /* what the device sends cannot be understood (exit 4) */
    ERR_NO_ANSWER, /* the numbers do not allow an answer, or a check failed (exit 1) */
    ERR_SYSTEM,    /* the operating system said no: disk full, no permission to write (exit 5) */
    ERR_MEMORY,    /* out of memory (exit 5) */
    ERR_CALLER     /* a function was called wrongly: our own fault (exit 5) */
};

/* Exit statuses of all three programs. */
enum exit_status {
    EXIT_DONE = 0,
    EXIT_ANSWER_NO = 1,
    EXIT_WRONG_USE = 2,
    EXIT_BAD_INPUT = 3,
    EXIT_DEVICE = 4,
    EXIT_SYSTEM = 5
};

/* The same in words, for the --help of every program and command; the manual pages and the tables of
 * README.md are made of it. Each line is short enough that argp leaves it as it is. */
#define EXIT_STATUS_HELP                                                                                     \
    "Exit status:\n"                                                                                         \
    "  0  done\n"                                                                                            \
    "  1  ran, but the answer is no: a check failed, a run was stopped or faulty\n"                          \
    "  2  wrong use of the command line\n"                                                                   \
    "  3  bad input file\n"                                                                                  \
    "  4  port or rig: absent, in use, silent, not understood\n"                                             \
    "  5  system: disk full, no memory, a program missing, our own fault"

struct err {
    enum err_code code;
    char file[512];   /* the file or device concerned, empty if none */
    int64_t line;     /* 1-based line or CSV row, 0 if none */
    int64_t column;   /* 1-based column, 0 if none */
    char text[768];   /* one sentence: what happened and what to do, no line break */
    char source[160]; /* the offending source line for a caret display, empty if none */
};

/* Fill e (which may be NULL) with code and a printf-formatted sentence; clears the place. Returns code. */
enum err_code err_set(struct err *e, enum err_code code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* As err_set, with the file (may be NULL) and the 1-based line and column (0 when unknown). */
enum err_code err_set_at(struct err *e, enum err_code code, const char *file, int64_t line, int64_t column,
                         const char *format, ...) __attribute__((format(printf, 6, 7)));

/* Exit status that belongs to a code. */
int err_exit_status(enum err_code code);

/* Write "file:line:column: text" (parts that are absent left out) into buffer of size bytes, control
 * characters and invalid UTF-8 replaced by '?', so that hostile text cannot reach a terminal. When the
 * record has a source line, two more lines follow: that line and a caret under the column. Returns buffer. */
char *err_format(const struct err *e, char *buffer, size_t size);

/* Replace every control character (and DEL), every byte that is not UTF-8, and every character that turns the
 * direction of writing or hides, by one '?' in place; the text never grows. Returns text. */
char *err_clean_text(char *text);

#endif
