/* The pseudo-terminal that the simulated rig is served on, with its transmit buffer. */
#ifndef RIG_SIMULATOR_TERMINAL_H
#define RIG_SIMULATOR_TERMINAL_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct terminal;

/* Raw, without echo. buffer_bytes: room for what the host has not taken yet. The terminal keeps its own
 * descriptor on the far end, so that a host may come and go. ERR_SYSTEM or ERR_MEMORY. terminal_close(NULL)
 * is fine. */
enum err_code terminal_open(size_t buffer_bytes, struct terminal **terminal, struct err *e);
void terminal_close(struct terminal *terminal);

/* Path that a host opens; lives as long as the terminal. */
const char *terminal_path(const struct terminal *terminal);

/* Make link point to the path; a link that an earlier rig left behind is replaced, anything else is refused
 * with ERR_USAGE. terminal_close removes it if it still points here. link must outlive the terminal. */
enum err_code terminal_link(struct terminal *terminal, const char *link, struct err *e);

/* Descriptor for poll: readable when the host sent something; wait for writable while terminal_waiting is
 * true (bytes wait, and no pause). */
int terminal_descriptor(const struct terminal *terminal);
bool terminal_waiting(const struct terminal *terminal);

/* Queue bytes whole or not at all; at least keep_free bytes must stay free after it. Never blocks. */
bool terminal_queue(struct terminal *terminal, const uint8_t *bytes, size_t length, size_t keep_free);
/* Let the flush pause for pause_us once it has come to from_end bytes before the end of the queue. In the
 * order of the bytes; left out when TERMINAL_PAUSES_MAX pauses wait already, so that they never pile up. */
#define TERMINAL_PAUSES_MAX 8
void terminal_pause(struct terminal *terminal, size_t from_end, int64_t pause_us);
/* Hand on as much of the queue as goes without blocking at now_us of the outside world. ERR_SYSTEM when the
 * terminal fails. */
enum err_code terminal_flush(struct terminal *terminal, int64_t now_us, struct err *e);
/* Read what is there, at most size bytes; *length 0 when there is nothing. ERR_SYSTEM when the terminal
 * fails. */
enum err_code terminal_read(struct terminal *terminal, uint8_t *bytes, size_t size, size_t *length,
                            struct err *e);
/* Forget all that no host has read yet, as a line does that nobody listens to. */
void terminal_discard(struct terminal *terminal);

#endif
