/* The terminal that watch draws on: a picture of a few lines that is redrawn in place, and keys without
 * Enter. Plain cursor movement, no colour. The terminal is left as it was found whatever ends the program,
 * but for what cannot be caught.
 *
 * There is one at a time, because signal handlers must know it. */
#ifndef CAPTURE_WATCH_TERMINAL_H
#define CAPTURE_WATCH_TERMINAL_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct watch_terminal;

/* Standard output is a terminal. */
bool watch_terminal_is_there(void);

/* It shows UTF-8, by the locale. */
bool watch_terminal_shows_blocks(void);

/* Standard output becomes the picture; keys are read from standard input if that is a terminal too. */
enum err_code watch_terminal_open(struct watch_terminal **terminal, struct err *e);

/* Put the terminal back; the picture stays above the cursor. NULL is fine. */
void watch_terminal_close(struct watch_terminal *t);

/* Ctrl-Z was pressed: call watch_terminal_suspend, which puts the terminal back, stops this program until it
 * is called to the foreground, and takes the terminal again. */
bool watch_terminal_suspend_asked(const struct watch_terminal *t);
void watch_terminal_suspend(struct watch_terminal *t);

/* Take the terminal again after the program was stopped by somebody else. */
void watch_terminal_retake(struct watch_terminal *t);

bool watch_terminal_has_keys(const struct watch_terminal *t);
/* A key that was pressed, 0 when there is none. Never waits. */
int watch_terminal_key(struct watch_terminal *t);

/* Columns and rows that a picture may use: one column is kept free, since a character in the last one makes
 * some terminals begin a new line. */
void watch_terminal_size(const struct watch_terminal *t, int *columns, int *rows);

/* Draw count lines of stride bytes each in place of the last picture. Left out when the terminal has not
 * taken the last one yet (it may be held, or far away). false when the terminal is gone. */
bool watch_terminal_draw(struct watch_terminal *t, const char *lines, size_t stride, size_t count);

#endif
