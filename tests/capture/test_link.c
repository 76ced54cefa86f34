/* The link against a pseudo-terminal: the POSIX way, and (link_serial, run with the preload shim)
 * libserialport. */
#include "capture/link.h"

#include <criterion/criterion.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#ifdef LINK_TEST_LIBRARY
#define SUITE link_serial
#define WAY   LINK_BY_LIBRARY
#else
#define SUITE link
#define WAY   LINK_BY_PATH
#endif

#define LONG_US 20000000 /* far more than anything here takes, so that a slow machine does not fail */

/* A pseudo-terminal; returns its master and fills path. The far end is set raw so that it passes all bytes
 * on. */
static int open_master(char *path, size_t size)
{
    struct termios settings;
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    cr_assert_geq(master, 0);
    cr_assert_eq(grantpt(master), 0);
    cr_assert_eq(unlockpt(master), 0);
    cr_assert_eq(ptsname_r(master, path, size), 0);
    cr_assert_eq(tcgetattr(master, &settings), 0);
    cfmakeraw(&settings);
    cr_assert_eq(tcsetattr(master, TCSANOW, &settings), 0);
    return master;
}

/* Every byte value, in an order without pattern. */
static void fill(uint8_t *bytes, size_t length)
{
    uint32_t x = 2463534242u;
    for (size_t i = 0; i < length; i++) {
        x ^= x << 13;
        x ^= x >> 17;
        x ^= x << 5;
        bytes[i] = (uint8_t)(i < 256 ? (i * 167 + 13) & 0xFF : x & 0xFF);
    }
}

Test(SUITE, bytes_pass_unchanged_both_ways)
{
    char path[64];
    uint8_t sent[1500];
    uint8_t got[sizeof sent] = {0};
    size_t length = 0;
    size_t n;
    struct link *link = NULL;
    struct err e = {0};
    int master = open_master(path, sizeof path);
    fill(sent, sizeof sent);
    cr_assert_eq(link_open(path, LINK_BAUD_DEFAULT, WAY, &link, &e), ERR_OK, "%s", e.text);
    cr_expect_str_eq(link_name(link), path);
    cr_assert_eq(write(master, sent, sizeof sent), (ssize_t)sizeof sent);
    while (length < sizeof sent) {
        cr_assert_eq(link_read(link, got + length, sizeof got - length, LONG_US, &n, &e), ERR_OK, "%s",
                     e.text);
        cr_assert_gt(n, 0, "nothing came");
        length += n;
    }
    cr_expect_eq(memcmp(sent, got, sizeof sent), 0, "from the rig");
    memset(got, 0, sizeof got);
    cr_assert_eq(link_write(link, sent, sizeof sent, LONG_US, &e), ERR_OK, "%s", e.text);
    for (length = 0; length < sizeof sent; length += n) {
        ssize_t r = read(master, got + length, sizeof got - length);
        cr_assert_gt(r, 0);
        n = (size_t)r;
    }
    cr_expect_eq(memcmp(sent, got, sizeof sent), 0, "to the rig");
    link_close(link);
    close(master);
}

Test(SUITE, a_quiet_port_times_out_and_is_not_gone)
{
    char path[64];
    uint8_t byte;
    size_t n = 99;
    struct link *link = NULL;
    struct err e = {0};
    int64_t began_us;
    int master = open_master(path, sizeof path);
    cr_assert_eq(link_open(path, LINK_BAUD_DEFAULT, WAY, &link, &e), ERR_OK, "%s", e.text);
    began_us = link_now_us();
    cr_expect_eq(link_read(link, &byte, 1, 30000, &n, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(n, 0);
    cr_expect_geq(link_now_us() - began_us, 30000);
    link_close(link);
    close(master);
}

Test(SUITE, a_closed_far_end_is_gone_at_once)
{
    char path[64];
    uint8_t bytes[16];
    size_t n = 0;
    struct link *link = NULL;
    struct err e = {0};
    int64_t began_us;
    int master = open_master(path, sizeof path);
    cr_assert_eq(link_open(path, LINK_BAUD_DEFAULT, WAY, &link, &e), ERR_OK, "%s", e.text);
    close(master);
    began_us = link_now_us();
    cr_expect_eq(link_read(link, bytes, sizeof bytes, LONG_US, &n, &e), ERR_DEVICE);
    cr_expect_lt(link_now_us() - began_us, LONG_US / 4, "a hang-up must not be waited out");
    cr_expect_str_eq(e.text, "the port is gone; was the rig unplugged?");
    cr_expect_str_eq(e.file, path);
    cr_expect_eq(link_write(link, "x", 1, LONG_US, &e), ERR_DEVICE);
    link_close(link);
}

Test(SUITE, a_port_has_one_owner_and_no_heirs)
{
    char path[64];
    char again[64];
    struct link *link = NULL;
    struct link *second = NULL;
    struct err e = {0};
    int open_before = 0;
    int inherited = 0;
    int master = open_master(path, sizeof path);
    for (int fd = 0; fd < 64; fd++)
        open_before += fcntl(fd, F_GETFD) >= 0 && (fcntl(fd, F_GETFD) & FD_CLOEXEC) == 0;
    cr_assert_eq(link_open(path, LINK_BAUD_DEFAULT, WAY, &link, &e), ERR_OK, "%s", e.text);
    for (int fd = 0; fd < 64; fd++)
        inherited += fcntl(fd, F_GETFD) >= 0 && (fcntl(fd, F_GETFD) & FD_CLOEXEC) == 0;
    cr_expect_eq(inherited, open_before, "a child program must not inherit the port");
    cr_expect_eq(link_open(path, LINK_BAUD_DEFAULT, WAY, &second, &e), ERR_DEVICE);
    cr_expect_null(second);
    cr_expect_str_eq(e.text, "the port is in use by another program");
    link_close(link);
    /* By a symbolic link, as /dev/serial/by-id holds, once it is free again. */
    snprintf(again, sizeof again, "/tmp/link_test.%d", (int)getpid());
    cr_assert_eq(symlink(path, again), 0);
    cr_expect_eq(link_open(again, LINK_BAUD_DEFAULT, WAY, &link, &e), ERR_OK, "%s", e.text);
    unlink(again);
    link_close(link);
    close(master);
}

Test(SUITE, what_is_no_port_is_named)
{
    static const struct {
        const char *path, *text;
    } CASES[] = {{"/dev/ttyNONE", "no such port"},
                 {"/dev/pts/99999", "no such port"},
                 {"/dev/null", "not a serial port"},
                 {"/etc/passwd", "not a serial port"}};
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        struct link *link = NULL;
        struct err e = {0};
        cr_expect_eq(link_open(CASES[i].path, LINK_BAUD_DEFAULT, WAY, &link, &e), ERR_DEVICE, "%s",
                     CASES[i].path);
        cr_expect_str_eq(e.text, CASES[i].text, "%s", CASES[i].path);
        cr_expect_str_eq(e.file, CASES[i].path);
        cr_expect_null(link);
    }
}

#ifdef LINK_TEST_LIBRARY
/* As the kernel lays it out; the C library's termios.h does not have it, and its speeds cannot tell odd
 * rates. */
struct kernel_termios2 {
    uint32_t input, output, control, local;
    uint8_t line, characters[19];
    uint32_t input_speed, output_speed;
};
#define GET_TERMIOS2 _IOR('T', 0x2A, struct kernel_termios2)

Test(SUITE, any_baud_rate_is_set_and_the_line_is_raw)
{
    static const int BAUDS[] = {9600, 123456, 500000, 4000000};
    char path[64];
    int master = open_master(path, sizeof path);
    for (size_t i = 0; i < sizeof BAUDS / sizeof BAUDS[0]; i++) {
        struct link *link = NULL;
        struct err e = {0};
        struct kernel_termios2 settings;
        cr_assert_eq(link_open(path, BAUDS[i], WAY, &link, &e), ERR_OK, "%d baud: %s", BAUDS[i], e.text);
        /* On Linux the master shows the settings of the other side. */
        cr_assert_eq(ioctl(master, GET_TERMIOS2, &settings), 0);
        cr_expect_eq(settings.output_speed, (uint32_t)BAUDS[i], "%u for %d", settings.output_speed, BAUDS[i]);
        cr_expect_eq(settings.input & (tcflag_t)(IXON | IXOFF | IXANY | ICRNL), 0);
        cr_expect_eq(settings.local & (tcflag_t)(ICANON | ECHO | ISIG), 0);
        cr_expect_eq(settings.control & HUPCL, 0, "closing must not reset the rig");
        link_close(link);
    }
    close(master);
}

Test(SUITE, a_second_opener_does_not_change_the_speed_under_the_first)
{
    char path[64];
    struct link *link = NULL;
    struct link *second = NULL;
    struct err e = {0};
    struct kernel_termios2 settings;
    int master = open_master(path, sizeof path);
    cr_assert_eq(link_open(path, 123456, WAY, &link, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(link_open(path, 9600, WAY, &second, &e), ERR_DEVICE);
    cr_assert_eq(ioctl(master, GET_TERMIOS2, &settings), 0);
    cr_expect_eq(settings.output_speed, 123456u);
    link_close(link);
    close(master);
}
#endif
