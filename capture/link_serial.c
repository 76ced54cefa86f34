/* Serial ports by libserialport: the only file that includes it.
 *
 * The library opens and sets up the port; waiting and reading are done on its descriptor in link.c, because
 * its own calls do not tell an unplugged adapter from a quiet one: sp_wait returns "fine" at once and for
 * ever, and the blocking reads spin until their time-out. */
#include "capture/link_backend.h"

#include <errno.h>
#include <libserialport.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#define BAUD_OFF                                                                                             \
    50 /* 2 % off is what a receiver of 8N1 still reads, with as much again for the other end                \
        */

static bool serial_alive(struct link_backend *backend)
{
    return sp_input_waiting(backend->handle) >= 0;
}

static void serial_close(struct link_backend *backend)
{
    struct sp_port *port = backend->handle;
    sp_close(port);
    sp_free_port(port);
    backend->handle = NULL;
    backend->fd = -1;
}

/* The errno that stands for what the library said. It reports a name that is no serial port as a wrong
 * argument. */
static int error_of(enum sp_return result)
{
    switch (result) {
    case SP_ERR_FAIL:
        return sp_last_error_code() != 0 ? sp_last_error_code() : EIO;
    case SP_ERR_MEM:
        return ENOMEM;
    default:
        return ENOTTY;
    }
}

/* Whether the port really runs at about this speed. A driver that cannot do it may put another one in its
 * place and say that all is well. */
static bool runs_at(struct sp_port *port, int baud)
{
    struct sp_port_config *config = NULL;
    int set = 0;
    bool near = sp_new_config(&config) == SP_OK && sp_get_config(port, config) == SP_OK &&
                sp_get_config_baudrate(config, &set) == SP_OK && abs(set - baud) <= baud / BAUD_OFF;
    if (config != NULL)
        sp_free_config(config);
    return near;
}

enum err_code link_serial_open(const char *path, const char *name, int baud, struct link_backend *backend,
                               struct err *e)
{
    struct sp_port *port = NULL;
    struct termios settings;
    bool opened = false;
    int fd = -1;
    int error;
    enum sp_return result = sp_get_port_by_name(path, &port);
    if (result != SP_OK)
        return link_open_failed(name, error_of(result), e);
    result = sp_open(port, SP_MODE_READ_WRITE);
    if (result != SP_OK) {
        error = error_of(result);
        goto failed;
    }
    opened = true;
    /* The library leaves software flow control on, which swallows the bytes 0x11 and 0x13 of a binary
     * protocol. */
    if ((result = sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE)) != SP_OK ||
        (result = sp_set_bits(port, 8)) != SP_OK || (result = sp_set_parity(port, SP_PARITY_NONE)) != SP_OK ||
        (result = sp_set_stopbits(port, 1)) != SP_OK) {
        error = error_of(result);
        goto failed;
    }
    result = sp_set_baudrate(port, baud);
    if (result != SP_OK || !runs_at(port, baud)) {
        sp_close(port);
        sp_free_port(port);
        return err_set_at(e, ERR_DEVICE, name, 0, 0, "this port cannot run at %d baud", baud);
    }
    if (sp_get_port_handle(port, &fd) != SP_OK || fd < 0) {
        error = ENODEV;
        goto failed;
    }
    /* HUPCL would drop DTR at closing and so reset many boards: the rig is to keep its boot number. */
    if (tcgetattr(fd, &settings) < 0) {
        error = errno;
        goto failed;
    }
    if ((settings.c_cflag & HUPCL) != 0) {
        settings.c_cflag &= ~(tcflag_t)HUPCL;
        if (tcsetattr(fd, TCSANOW, &settings) < 0) {
            error = errno;
            goto failed;
        }
    }
    backend->fd = fd;
    backend->handle = port;
    backend->alive = serial_alive;
    backend->close = serial_close;
    return ERR_OK;
failed:
    if (opened)
        sp_close(port);
    sp_free_port(port);
    return link_open_failed(name, error, e);
}

static int by_name(const void *a, const void *b)
{
    return strverscmp(((const struct link_port *)a)->name, ((const struct link_port *)b)->name);
}

enum err_code link_list_ports(struct link_port **ports, size_t *count, struct err *e)
{
    struct sp_port **list = NULL;
    struct link_port *found = NULL;
    size_t n = 0;
    enum sp_return result = sp_list_ports(&list);
    *ports = NULL;
    *count = 0;
    /* Without a /sys/class/tty (a container) there is no list to read, and no port either. */
    if (result == SP_ERR_FAIL && sp_last_error_code() == ENOENT)
        return ERR_OK;
    if (result != SP_OK)
        return err_set(e, ERR_SYSTEM, "cannot list serial ports: %s", strerror(error_of(result)));
    while (list[n] != NULL)
        n++;
    found = calloc(n + 1, sizeof *found);
    if (found == NULL) {
        sp_free_port_list(list);
        return err_set(e, ERR_MEMORY, "out of memory");
    }
    for (size_t i = 0; i < n; i++) {
        const char *description = sp_get_port_description(list[i]);
        const char *serial = sp_get_port_usb_serial(list[i]);
        snprintf(found[i].name, sizeof found[i].name, "%s", sp_get_port_name(list[i]));
        snprintf(found[i].description, sizeof found[i].description, "%s",
                 description != NULL ? description : "");
        snprintf(found[i].serial, sizeof found[i].serial, "%s", serial != NULL ? serial : "");
        if (sp_get_port_usb_vid_pid(list[i], &found[i].usb_vendor, &found[i].usb_product) != SP_OK) {
            found[i].usb_vendor = -1;
            found[i].usb_product = -1;
        }
    }
    sp_free_port_list(list);
    qsort(found, n, sizeof *found, by_name);
    *ports = found;
    *count = n;
    return ERR_OK;
}
