/* The person at the rig: what is shown to them and asked of them, on standard error and the terminal.
 * A live line only on a terminal; nothing is ever asked of a program that runs unattended. */
#ifndef CAPTURE_OPERATOR_H
#define CAPTURE_OPERATOR_H

#include <signal.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct operator_view {
    bool unattended; /* --yes: show, but do not wait for an answer */
    bool live;       /* standard error is a terminal */
    const volatile sig_atomic_t *stop_requests;
    bool utf8;        /* it shows UTF-8, by the locale */
    int64_t drawn_us; /* when the live line was last drawn, 0 while there is none */
};

void operator_init(struct operator_view *view, bool unattended, const volatile sig_atomic_t *stop_requests);

/* Characters that a line on the terminal may have: one fewer than its columns, which COLUMNS may state, since
 * a character in the last one makes some terminals begin a new line. 0 where standard error is no terminal:
 * then lines are as long as they are. */
int operator_columns(const struct operator_view *view);

/* Whether questions can be answered: standard input is a terminal, or a pipe or socket at whose other end a
 * program answers. */
bool operator_is_there(void);

/* One line; on a terminal that is too narrow for it, several, broken between words. Control characters in it
 * are replaced. */
void operator_say(struct operator_view *view, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* The dangers of a rig, before it is armed for the first time. */
void operator_show_cautions(struct operator_view *view);

/* Show question, which ends its line where standard error is no terminal, and wait for Enter alone: a line
 * with anything in it is refused, and the question comes again. At a terminal what was typed before the
 * question is dropped. At once true when unattended. While waiting, idle(context) is called about five times
 * a second; when it returns false, or the operator asks to stop, or the input ends: false.
 */
bool operator_confirm(struct operator_view *view, const char *question, bool (*idle)(void *context),
                      void *context);

/* Show question and wait for a line to be typed, into answer (size bytes, without its line break, control
 * characters replaced). false as operator_confirm, and when unattended. */
bool operator_ask(struct operator_view *view, const char *question, char *answer, size_t size,
                  bool (*idle)(void *context), void *context);

/* Take the live line away, before something else writes to the terminal. */
void operator_end(struct operator_view *view);

/* Redraw the live line, at most six times a second; nothing without a terminal. */
void operator_progress(struct operator_view *view, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
