/* What link.c asks of each way of opening a port. Only link.c, link_serial.c and link_pty.c include this. */
#ifndef CAPTURE_LINK_BACKEND_H
#define CAPTURE_LINK_BACKEND_H

#include "capture/link.h"

struct link_backend {
    int fd;       /* open, raw, not blocking */
    void *handle; /* the backend's own, NULL if it needs none */
    /* Whether the device still answers; called when a read found nothing although bytes were announced. */
    bool (*alive)(struct link_backend *backend);
    void (*close)(struct link_backend *backend); /* closes fd too */
    const struct link_owner *kind;               /* of a wrapped link, whose owner is in handle; else NULL */
};

/* path is resolved (no symbolic links); name is what the user typed, for messages. */
enum err_code link_serial_open(const char *path, const char *name, int baud, struct link_backend *backend,
                               struct err *e);
enum err_code link_pty_open(const char *path, const char *name, struct link_backend *backend, struct err *e);

/* The ERR_DEVICE for an open that failed with errno value error. */
enum err_code link_open_failed(const char *name, int error, struct err *e);

#endif
