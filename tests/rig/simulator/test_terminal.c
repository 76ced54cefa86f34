#include "rig/simulator/terminal.h"

#include <criterion/criterion.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct terminal *open_terminal(size_t bytes)
{
    struct terminal *t = NULL;
    struct err e;
    cr_assert_eq(terminal_open(bytes, &t, &e), ERR_OK, "%s", e.text);
    return t;
}

static int open_host(const struct terminal *t)
{
    const int fd = open(terminal_path(t), O_RDWR | O_NOCTTY | O_NONBLOCK);
    cr_assert(fd >= 0);
    return fd;
}

static bool readable(int fd)
{
    struct pollfd p = {.fd = fd, .events = POLLIN};
    return poll(&p, 1, 5000) == 1 && (p.revents & POLLIN);
}

/* As many bytes as are wanted at least, within 5 s each: what was written at once may come in parts. */
static ssize_t read_of(int fd, void *bytes, size_t size, size_t wanted)
{
    size_t got = 0;
    while (got < wanted && readable(fd)) {
        const ssize_t n = read(fd, (char *)bytes + got, size - got);
        if (n <= 0)
            break;
        got += (size_t)n;
    }
    return (ssize_t)got;
}

Test(terminal, every_byte_passes_unchanged_both_ways_and_without_echo)
{
    struct terminal *t = open_terminal(4096);
    struct err e;
    uint8_t bytes[256];
    uint8_t back[300];
    size_t length;
    const int host = open_host(t);
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (uint8_t)(i * 13 + 3);
    cr_assert(terminal_queue(t, bytes, sizeof bytes, 0));
    cr_assert_eq(terminal_flush(t, 0, &e), ERR_OK);
    cr_assert_eq(read_of(host, back, sizeof back, sizeof bytes), (ssize_t)sizeof bytes);
    cr_assert_arr_eq(back, bytes, sizeof bytes);
    cr_assert_eq(terminal_read(t, back, sizeof back, &length, &e), ERR_OK);
    cr_assert_eq(length, 0, "no echo");
    cr_assert_eq(write(host, bytes, sizeof bytes), (ssize_t)sizeof bytes);
    cr_assert(readable(terminal_descriptor(t)));
    cr_assert_eq(terminal_read(t, back, sizeof back, &length, &e), ERR_OK);
    cr_assert_eq(length, sizeof bytes);
    cr_assert_arr_eq(back, bytes, sizeof bytes);
    close(host);
    terminal_close(t);
}

Test(terminal, a_host_may_leave_and_come_back)
{
    struct terminal *t = open_terminal(4096);
    struct err e;
    uint8_t back[16];
    size_t length;
    for (int i = 0; i < 3; i++) {
        const int host = open_host(t);
        cr_assert_eq(write(host, "abc", 3), 3);
        cr_assert(readable(terminal_descriptor(t)));
        cr_assert_eq(terminal_read(t, back, sizeof back, &length, &e), ERR_OK);
        cr_assert_eq(length, 3);
        close(host);
        cr_assert_eq(terminal_read(t, back, sizeof back, &length, &e), ERR_OK, "%s", e.text);
        cr_assert_eq(length, 0);
    }
    terminal_close(t);
}

Test(terminal, a_full_buffer_refuses_and_never_blocks)
{
    struct terminal *t = open_terminal(10000);
    struct err e;
    uint8_t bytes[1000];
    memset(bytes, 0x5A, sizeof bytes);
    int taken = 0;
    while (taken < 1000 && terminal_queue(t, bytes, sizeof bytes, 500)) {
        taken++;
        cr_assert_eq(terminal_flush(t, 0, &e), ERR_OK);
    }
    cr_assert(taken >= 9 && taken < 1000, "%d", taken);
    cr_expect(terminal_waiting(t));
    cr_expect_not(terminal_queue(t, bytes, sizeof bytes, 500));
    cr_expect(terminal_queue(t, bytes, 400, 0), "the reserve is there for answers");
    const int host = open_host(t);
    ssize_t got = 0;
    ssize_t n;
    while (terminal_waiting(t) && (n = read(host, bytes, sizeof bytes)) > 0) {
        got += n;
        cr_assert_eq(terminal_flush(t, 0, &e), ERR_OK);
    }
    while ((n = read(host, bytes, sizeof bytes)) > 0)
        got += n;
    cr_expect_eq(got, taken * 1000 + 400);
    close(host);
    terminal_close(t);
}

Test(terminal, what_nobody_reads_can_be_forgotten)
{
    struct terminal *t = open_terminal(4096);
    struct err e;
    uint8_t back[16];
    cr_assert(terminal_queue(t, (const uint8_t *)"stale", 5, 0));
    cr_assert_eq(terminal_flush(t, 0, &e), ERR_OK);
    cr_assert(terminal_queue(t, (const uint8_t *)"queued", 6, 0));
    terminal_discard(t);
    cr_expect_not(terminal_waiting(t));
    const int host = open_host(t);
    cr_assert(terminal_queue(t, (const uint8_t *)"fresh", 5, 0));
    cr_assert_eq(terminal_flush(t, 0, &e), ERR_OK);
    cr_expect_eq(read_of(host, back, sizeof back, 5), 5);
    cr_expect_arr_eq(back, "fresh", 5);
    close(host);
    terminal_close(t);
}

Test(terminal, link_is_made_replaced_and_removed_but_nothing_else_is_touched)
{
    char folder[] = "/tmp/nipbench-link-XXXXXX";
    char link[64];
    char target[128];
    struct err e;
    struct stat info;
    cr_assert(mkdtemp(folder) != NULL);
    snprintf(link, sizeof link, "%s/rig", folder);
    cr_assert_eq(symlink("/dev/pts/999999", link), 0); /* left behind */
    struct terminal *t = open_terminal(4096);
    cr_assert_eq(terminal_link(t, link, &e), ERR_OK, "%s", e.text);
    const ssize_t n = readlink(link, target, sizeof target);
    cr_assert(n > 0);
    cr_expect_eq(strncmp(target, terminal_path(t), (size_t)n), 0);
    terminal_close(t);
    cr_expect_neq(lstat(link, &info), 0, "the link goes with the rig");

    cr_assert_eq(symlink("/etc/hostname", link), 0);
    t = open_terminal(4096);
    cr_expect_eq(terminal_link(t, link, &e), ERR_USAGE);
    terminal_close(t);
    cr_expect_eq(lstat(link, &info), 0, "somebody else's link stays");
    unlink(link);
    t = open_terminal(4096);
    cr_expect_eq(terminal_link(t, "/nonexistent/rig", &e), ERR_SYSTEM);
    terminal_close(t);
    rmdir(folder);
}

Test(terminal, a_pause_holds_back_what_follows_it_and_nothing_else)
{
    struct terminal *t = open_terminal(4096);
    struct err e;
    char back[64];
    const int host = open_host(t);
    cr_assert(terminal_queue(t, (const uint8_t *)"abcdefg", 7, 0));
    terminal_pause(t, 4, 3000);
    cr_assert_eq(terminal_flush(t, 70000, &e), ERR_OK);
    cr_expect_eq(read_of(host, back, sizeof back, 3), 3);
    cr_expect(!terminal_waiting(t), "nothing may go before the pause is over");
    cr_assert(terminal_queue(t, (const uint8_t *)"hij", 3, 0));
    cr_assert_eq(terminal_flush(t, 72999, &e), ERR_OK);
    cr_expect_eq(read(host, back, sizeof back), -1);
    cr_assert_eq(terminal_flush(t, 73000, &e), ERR_OK);
    cr_expect_eq(read_of(host, back, sizeof back, 7), 7);
    cr_expect_arr_eq(back, "defghij", 7);
    close(host);
    terminal_close(t);
}

Test(terminal, pauses_never_pile_up)
{
    struct terminal *t = open_terminal(4096);
    struct err e;
    char back[256];
    const int host = open_host(t);
    for (size_t i = 0; i < 100; i++) {
        cr_assert(terminal_queue(t, (const uint8_t *)"xy", 2, 0));
        terminal_pause(t, 1, 1000);
    }
    for (int64_t now_us = 0; now_us <= TERMINAL_PAUSES_MAX; now_us++)
        cr_assert_eq(terminal_flush(t, 1000 * now_us, &e), ERR_OK);
    cr_expect_eq(read_of(host, back, sizeof back, 200), 200);
    close(host);
    terminal_close(t);
}
