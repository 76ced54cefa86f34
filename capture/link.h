/* The link: bytes to and from a rig, and nothing about what they mean.
 *
 * Two ways in, chosen by the path. Real ports go through libserialport (link_serial.c, the only file that
 * knows it). That library cannot open a pseudo-terminal, so a path that resolves into /dev/pts is opened by
 * plain POSIX calls (link_pty.c) unless the caller asks for the library all the same. Both give a file
 * descriptor, and everything that waits, reads, writes and finds out that the device is gone is here, once.
 */
#ifndef CAPTURE_LINK_H
#define CAPTURE_LINK_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LINK_BAUD_DEFAULT 500000 /* bits per second: 1 kHz samples with encoder need about 140,000 */
#define LINK_BAUD_MIN     1200
#define LINK_BAUD_MAX     12000000

struct link;

enum link_way {
    LINK_BY_PATH,   /* POSIX for a pseudo-terminal, libserialport for all else */
    LINK_BY_LIBRARY /* libserialport whatever the path: for tests of that way */
};

/* Open path, raw 8N1 without flow control, baud bits per second. The port is locked against a second opener,
 * closed in child processes, and its modem lines are left alone at closing. ERR_DEVICE names the path: no
 * such port, not a serial port, no permission, in use. The caller closes with link_close. */
enum err_code link_open(const char *path, int baud, enum link_way way, struct link **link, struct err *e);
void link_close(struct link *link); /* NULL is fine */

/* Something in this program that stands behind a link in the place of a port. */
struct link_owner {
    void (*closed)(void *owner);          /* the link has closed its descriptor */
    const char *(*why_gone)(void *owner); /* what to say when the other end is gone; NULL: nothing known */
};
/* A link over an open stream socket that does not block, which it then closes itself; on error it is still
 * the caller's. */
enum err_code link_wrap(int descriptor, const char *name, const struct link_owner *kind, void *owner,
                        struct link **link, struct err *e);
/* The owner, if it is of that kind; else NULL. */
void *link_owner_of(const struct link *link, const struct link_owner *kind);

/* The path as the user gave it. */
const char *link_name(const struct link *link);

/* The descriptor behind it, for a signal handler that can use nothing else. */
int link_descriptor(const struct link *link);

/* Wait at most timeout_us microseconds for bytes and take what is there, at most size. *got is 0 after a
 * time-out or when a signal came in between. ERR_DEVICE when the device is gone (unplugged, other end
 * closed). */
enum err_code link_read(struct link *link, void *bytes, size_t size, int64_t timeout_us, size_t *got,
                        struct err *e);

/* Write all of bytes within timeout_us microseconds. ERR_DEVICE when the device is gone or does not take
 * them. */
enum err_code link_write(struct link *link, const void *bytes, size_t length, int64_t timeout_us,
                         struct err *e);

/* Throw away what has arrived and was not read yet. */
void link_discard_input(struct link *link);

/* Microseconds of a monotonic clock. */
int64_t link_now_us(void);

/* Sleep until it shows time_us. False when a signal came first and ended the sleep. */
bool link_sleep_until(int64_t time_us);

struct link_port {
    char name[128];              /* path to open */
    char description[128];       /* "" when not known */
    char serial[64];             /* of a USB adapter, "" otherwise */
    int usb_vendor, usb_product; /* -1 when it is no USB adapter */
};
/* All serial ports of this machine, sorted by name: *ports (caller frees) and their *count. */
enum err_code link_list_ports(struct link_port **ports, size_t *count, struct err *e);

#endif
