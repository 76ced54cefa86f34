/* The program as a user starts it. */
#include "rig/base/err.h"
#include "rig/wire/message.h"

#include <criterion/criterion.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

struct program {
    pid_t pid;
    int out; /* standard output */
    int err;
};

static struct program start(const char *const *arguments)
{
    struct program p;
    char *list[16] = {(char *)RIG_PROGRAM};
    int out[2];
    int err[2];
    posix_spawn_file_actions_t actions;
    for (size_t i = 0; arguments[i] != NULL; i++)
        list[i + 1] = (char *)arguments[i];
    cr_assert_eq(pipe2(out, O_CLOEXEC), 0);
    cr_assert_eq(pipe2(err, O_CLOEXEC), 0);
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, out[1], 1);
    posix_spawn_file_actions_adddup2(&actions, err[1], 2);
    cr_assert_eq(posix_spawn(&p.pid, RIG_PROGRAM, &actions, NULL, list, environ), 0);
    posix_spawn_file_actions_destroy(&actions);
    close(out[1]);
    close(err[1]);
    p.out = out[0];
    p.err = err[0];
    return p;
}

static void read_to_end(int fd, char *text, size_t size)
{
    size_t used = 0;
    ssize_t n;
    while (used + 1 < size && (n = read(fd, text + used, size - 1 - used)) > 0)
        used += (size_t)n;
    text[used] = '\0';
    close(fd);
}

static int finish(struct program *p, char *out, char *err, size_t size)
{
    int status;
    read_to_end(p->out, out, size);
    read_to_end(p->err, err, size);
    cr_assert_eq(waitpid(p->pid, &status, 0), p->pid);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

static void read_path(struct program *p, char *path, size_t size)
{
    size_t used = 0;
    while (used + 1 < size && read(p->out, path + used, 1) == 1 && path[used] != '\n')
        used++;
    path[used] = '\0';
    cr_assert(strncmp(path, "/dev/", 5) == 0, "first line: %s", path);
}

static int64_t now_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static int open_host(const char *path)
{
    struct termios mode;
    const int fd = open(path, O_RDWR | O_NOCTTY);
    cr_assert(fd >= 0);
    cr_assert_eq(tcgetattr(fd, &mode), 0);
    cfmakeraw(&mode);
    cr_assert_eq(tcsetattr(fd, TCSAFLUSH, &mode), 0);
    return fd;
}

static void send_frame(int fd, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t frame[WIRE_ENCODED_MAX];
    const size_t n = wire_frame_encode(type, 0, body, length, frame);
    cr_assert_eq(write(fd, frame, n), (ssize_t)n);
}

/* Wait for a frame of that type; its body goes to body. */
static size_t wait_for(int fd, uint8_t type, uint8_t *body)
{
    static uint8_t buffer[WIRE_ENCODED_MAX];
    struct wire_decoder d;
    const int64_t until_ms = now_ms() + 10000;
    wire_decoder_init(&d, buffer, sizeof buffer);
    while (now_ms() < until_ms) {
        uint8_t byte;
        struct wire_frame frame;
        enum wire_error result;
        struct pollfd p = {.fd = fd, .events = POLLIN};
        if (poll(&p, 1, 1000) != 1 || read(fd, &byte, 1) != 1)
            continue;
        wire_decoder_feed(&d, &byte, 1, &result, &frame);
        if (result != WIRE_OK || frame.type != type)
            continue;
        memcpy(body, frame.body, frame.length);
        return frame.length;
    }
    cr_assert_fail("no frame of type 0x%02x in 10 s", type);
    return 0;
}

Test(rig_program, wrong_use_is_one_clear_line_and_exit_2)
{
    static const struct {
        const char *arguments[5];
        const char *says;
    } cases[] = {{{"--speedup", "fast", NULL}, "fast"},
                 {{"--speedup", "1001", NULL}, "1001"},
                 {{"--seed", "-1", NULL}, "-1"},
                 {{"--rate-max", "0", NULL}, "--rate-max"},
                 {{"--protocol-major", "x", NULL}, "x"},
                 {{"--idle-exit", "0", NULL}, "--idle-exit"},
                 {{"--serial", "a\nb", NULL}, "--serial"},
                 {{"--serial", "123456789012345678901234567890123", NULL}, "32"},
                 {{"--faults", "mising=0.1", NULL}, "mising"},
                 {{"--faults", "missing=0.1", "--faults", "unplugged@3"}, "unplugged@T+D"},
                 {{"--nonsense", NULL}, "--nonsense"},
                 {{"left-over", NULL}, "left-over"},
                 {{"--link", "/etc/hostname", NULL}, "/etc/hostname"}};
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        char out[4096];
        char err[4096];
        struct program p = start(cases[c].arguments);
        cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_WRONG_USE, "%s", cases[c].says);
        cr_expect(strstr(err, cases[c].says) != NULL, "%s: %s", cases[c].says, err);
        cr_expect(strstr(err, "nipbench-rig: ") != NULL, "%s: %s", cases[c].says, err);
        cr_expect_str_eq(out, "");
    }
}

Test(rig_program, bad_files_give_3_and_an_unwritable_truth_5)
{
    char out[4096];
    char err[4096];
    struct program p = start((const char *const[]){"--feeder", "/nonexistent.yaml", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_BAD_INPUT);
    cr_expect(strstr(err, "/nonexistent.yaml") != NULL, "%s", err);
    p = start((const char *const[]){"--feeder", RIG_FEEDERS "/gear-8mm.yaml", "--feeder",
                                    RIG_FEEDERS "/gear-8mm.yaml", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_BAD_INPUT);
    cr_expect(strstr(err, "gear-8mm") != NULL, "%s", err);
    p = start((const char *const[]){"--truth", "/nonexistent/truth.json", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_SYSTEM);
    cr_expect(strstr(err, "/nonexistent/truth.json") != NULL, "%s", err);
    p = start((const char *const[]){"--log", "/nonexistent/log", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_SYSTEM);
    cr_expect(strstr(err, "/nonexistent/log") != NULL, "%s", err);
    p = start((const char *const[]){"--log", "/dev/full", "--idle-exit", "0.05", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_SYSTEM);
    cr_expect(strstr(err, "/dev/full") != NULL, "%s", err);
}

Test(rig_program, help_names_every_option)
{
    static const char *const options[] = {
        "--seed",      "--feeder",         "--speedup", "--truth", "--rate-max", "--link",     "--serial",
        "--idle-exit", "--protocol-major", "--faults",  "--log",   "--samples",  "Exit status"};
    char out[8192];
    char err[8192];
    struct program p = start((const char *const[]){"--help", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_DONE);
    for (size_t i = 0; i < sizeof options / sizeof options[0]; i++)
        cr_expect(strstr(out, options[i]) != NULL, "%s", options[i]);
    cr_expect_str_eq(err, "");
}

Test(rig_program, serves_hosts_one_after_another_and_ends_on_a_signal)
{
    char folder[] = "/tmp/nipbench-rig-XXXXXX";
    char link[64];
    char path[128];
    char target[128];
    char rest[4096];
    char err[4096];
    struct stat info;
    cr_assert(mkdtemp(folder) != NULL);
    snprintf(link, sizeof link, "%s/port", folder);
    struct program p = start((const char *const[]){"--feeder", (RIG_FEEDERS "/gear-fine.yaml"), "--speedup",
                                                   "4.5", "--serial", "R 2D", "--protocol-major", "3",
                                                   "--rate-max", "2000", "--link", link, NULL});
    read_path(&p, path, sizeof path);
    const ssize_t n = readlink(link, target, sizeof target - 1);
    cr_assert(n > 0);
    target[n] = '\0';
    cr_expect_str_eq(target, path);
    for (int host = 0; host < 2; host++) {
        uint8_t body[WIRE_BODY_MAX];
        struct wire_identity identity;
        const int fd = open_host(link);
        send_frame(fd, WIRE_IDENTIFY, NULL, 0);
        const size_t length = wait_for(fd, WIRE_IDENTITY, body);
        cr_assert_eq(wire_unpack_identity(body, length, &identity), WIRE_OK);
        cr_expect_eq(identity.protocol_major, 3);
        cr_expect_eq(identity.time_scale_milli, 4500);
        cr_expect_eq(identity.sample_rate_max_millihertz, 2000000);
        cr_expect_str_eq(identity.serial, "R 2D");
        cr_expect(strncmp(identity.firmware, "simulated", 9) == 0);
        const struct wire_configure configure = {1000000, 0, "any"};
        send_frame(fd, WIRE_CONFIGURE, body, wire_pack_configure(&configure, body));
        struct wire_sample samples[WIRE_BATCH_MAX];
        size_t count;
        const size_t batch = wait_for(fd, WIRE_SAMPLES, body);
        cr_assert_eq(wire_unpack_batch(body, batch, samples, &count), WIRE_OK);
        /* then silence: the watchdog must end the sampling */
        struct wire_event event = {0};
        while (event.kind != WIRE_EVENT_WATCHDOG)
            cr_assert_eq(wire_unpack_event(body, wait_for(fd, WIRE_EVENT, body), &event), WIRE_OK);
        close(fd);
    }
    kill(p.pid, SIGTERM);
    cr_expect_eq(finish(&p, rest, err, sizeof rest), EXIT_DONE);
    cr_expect_str_eq(err, "");
    cr_expect_neq(lstat(link, &info), 0);
    rmdir(folder);
}

/* At 50 times real time 500 ms of the rig's clock are 10 ms outside. A host that speaks only when the rig has
 * fallen silent is later than that each time, and must not be taken for dead before 500 ms outside. */
Test(rig_program, a_sped_up_rig_waits_for_a_late_host)
{
    char path[128];
    char rest[4096];
    char err[4096];
    uint8_t body[WIRE_BODY_MAX];
    static uint8_t buffer[WIRE_ENCODED_MAX];
    struct wire_decoder d;
    struct program p = start((const char *const[]){"--speedup", "50", NULL});
    read_path(&p, path, sizeof path);
    const int fd = open_host(path);
    const struct wire_configure configure = {1000000, 0, "any"};
    send_frame(fd, WIRE_CONFIGURE, body, wire_pack_configure(&configure, body));
    const int64_t until_ms = now_ms() + 900;
    size_t late = 0;
    wire_decoder_init(&d, buffer, sizeof buffer);
    while (now_ms() < until_ms) {
        uint8_t byte;
        struct wire_frame frame;
        enum wire_error result;
        struct pollfd line = {.fd = fd, .events = POLLIN};
        if (poll(&line, 1, 30) == 0) {
            late++;
            send_frame(fd, WIRE_KEEP_ALIVE, NULL, 0);
            continue;
        }
        cr_assert_eq(read(fd, &byte, 1), 1);
        wire_decoder_feed(&d, &byte, 1, &result, &frame);
        struct wire_event event = {0};
        if (result == WIRE_OK && frame.type == WIRE_EVENT)
            cr_assert_eq(wire_unpack_event(frame.body, frame.length, &event), WIRE_OK);
        cr_assert_neq(event.kind, WIRE_EVENT_WATCHDOG);
    }
    cr_expect(late > 5, "%zu", late);
    close(fd);
    kill(p.pid, SIGINT);
    cr_expect_eq(finish(&p, rest, err, sizeof rest), EXIT_DONE);
}

Test(rig_program, ends_by_itself_when_no_host_speaks)
{
    char out[4096];
    char err[4096];
    struct program p = start((const char *const[]){"--idle-exit", "0.15", NULL});
    cr_expect_eq(finish(&p, out, err, sizeof out), EXIT_DONE);
    cr_expect(strncmp(out, "/dev/", 5) == 0);
    cr_expect_str_eq(err, "");
}

/* Keep the rig alive until its port hangs up; returns when that was. */
static int64_t wait_for_hangup(int fd)
{
    const int64_t until_ms = now_ms() + 10000;
    int64_t alive_ms = 0;
    while (now_ms() < until_ms) {
        uint8_t bytes[4096];
        struct pollfd p = {.fd = fd, .events = POLLIN};
        if (now_ms() - alive_ms >= 50) {
            uint8_t frame[WIRE_ENCODED_MAX];
            const size_t n = wire_frame_encode(WIRE_KEEP_ALIVE, 0, NULL, 0, frame);
            alive_ms = now_ms();
            if (write(fd, frame, n) < 0)
                return now_ms();
        }
        if (poll(&p, 1, 10) == 1 && read(fd, bytes, sizeof bytes) <= 0)
            return now_ms();
    }
    cr_assert_fail("the port did not vanish in 10 s");
    return 0;
}

/* The line of the log that holds both texts; *number (may be NULL) is what follows key in it. */
static bool find_line(const char *log, const char *what, const char *more, const char *key, int64_t *number)
{
    for (const char *line = log; *line != '\0'; line = strchr(line, '\n') + 1) {
        char one[512];
        snprintf(one, sizeof one, "%.*s", (int)strcspn(line, "\n"), line);
        if (strstr(one, what) == NULL || strstr(one, more) == NULL)
            continue;
        if (number != NULL) {
            const char *at = strstr(one, key);
            cr_assert(at != NULL && sscanf(at + strlen(key), "%" SCNd64, number) == 1, "%s", one);
        }
        return true;
    }
    return false;
}

static void read_file(const char *path, char *text, size_t size)
{
    FILE *f = fopen(path, "r");
    cr_assert(f != NULL);
    text[fread(text, 1, size - 1, f)] = '\0';
    fclose(f);
}

Test(rig_program, an_unplugged_port_vanishes_and_comes_back_and_the_files_tell)
{
    char folder[] = "/tmp/nipbench-rig-XXXXXX";
    char link[64];
    char log[64];
    char samples[64];
    char path[128];
    char rest[4096];
    char err[4096];
    static char text[1 << 20];
    uint8_t body[WIRE_BODY_MAX];
    struct wire_identity before;
    struct wire_identity after;
    struct stat info;
    cr_assert(mkdtemp(folder) != NULL);
    snprintf(link, sizeof link, "%s/port", folder);
    snprintf(log, sizeof log, "%s/log", folder);
    snprintf(samples, sizeof samples, "%s/samples", folder);
    struct program p = start((const char *const[]){"--link", link, "--log", log, "--samples", samples,
                                                   "--faults", "unplugged@0.5+0.8,clock-ppm=1000", NULL});
    read_path(&p, path, sizeof path);
    int fd = open_host(link);
    send_frame(fd, WIRE_IDENTIFY, NULL, 0);
    cr_assert_eq(wire_unpack_identity(body, wait_for(fd, WIRE_IDENTITY, body), &before), WIRE_OK);
    const struct wire_configure configure = {1000000, 0, "any"};
    const struct wire_arm arm = {-8000000, 8000000, 1000000, 600000};
    const struct wire_move move = {200000, 20000, 0};
    send_frame(fd, WIRE_CONFIGURE, body, wire_pack_configure(&configure, body));
    send_frame(fd, WIRE_ARM, body, wire_pack_arm(&arm, body));
    send_frame(fd, WIRE_MOVE, body, wire_pack_move(&move, body));
    const int64_t gone_ms = wait_for_hangup(fd);
    close(fd);
    cr_expect_neq(lstat(link, &info), 0, "the link is gone with the port");
    while (lstat(link, &info) != 0 && now_ms() < gone_ms + 10000)
        poll(NULL, 0, 1);
    const int64_t away_ms = now_ms() - gone_ms;
    cr_expect(away_ms >= 700, "%d ms", (int)away_ms);
    fd = open_host(link);
    send_frame(fd, WIRE_IDENTIFY, NULL, 0);
    cr_assert_eq(wire_unpack_identity(body, wait_for(fd, WIRE_IDENTITY, body), &after), WIRE_OK);
    cr_expect_eq(after.boot, before.boot, "the rig itself was not off");
    close(fd);
    kill(p.pid, SIGTERM);
    cr_expect_eq(finish(&p, rest, err, sizeof rest), EXIT_DONE);
    cr_expect_str_eq(err, "");

    int64_t begins_us;
    int64_t ends_us;
    int64_t begins_outside_us;
    int64_t started_outside_us;
    int64_t configured_us;
    int64_t cut_us;
    int64_t turned_us;
    read_file(log, text, sizeof text);
    cr_assert(find_line(text, "configured", "", "\"rig_us\":", &configured_us));
    cr_assert(find_line(text, "\"unplugged\"", "begins", "\"rig_us\":", &begins_us));
    cr_assert(find_line(text, "\"unplugged\"", "begins", "\"outside_us\":", &begins_outside_us));
    cr_assert(find_line(text, "\"unplugged\"", "ends", "\"rig_us\":", &ends_us));
    cr_assert(find_line(text, "cut", "watchdog", "\"rig_us\":", &cut_us));
    cr_assert(find_line(text, "cut", "watchdog", "\"turned_us\":", &turned_us));
    cr_expect(find_line(text, "port", path, NULL, NULL));
    cr_expect_eq(begins_us, configured_us + 500000);
    cr_expect_eq(ends_us, begins_us + 800000);
    cr_expect(cut_us > begins_us && cut_us <= begins_us + 500000);
    cr_expect_eq(turned_us, cut_us);
    cr_assert(find_line(text, "power-on", "", "\"outside_us\":", &started_outside_us));
    cr_expect_float_eq((double)begins_us / (double)(begins_outside_us - started_outside_us), 1.001, 1e-4,
                       "the clock is to run 1000 ppm fast");
    /* The host cannot know it earlier, and the rig looks every 5 ms. */
    cr_expect(begins_outside_us / 1000 <= gone_ms, "%d ms early", (int)(begins_outside_us / 1000 - gone_ms));

    /* From the first sample to the watchdog's cut, one every millisecond, none twice. */
    read_file(samples, text, sizeof text);
    int64_t rows = 0;
    int64_t last_us = configured_us;
    for (const char *line = strchr(text, '\n') + 1; *line != '\0'; line = strchr(line, '\n') + 1) {
        int64_t rig_us;
        cr_assert_eq(sscanf(line, "%" SCNd64 ",", &rig_us), 1);
        cr_assert_eq(rig_us, last_us + 1000);
        last_us = rig_us;
        rows++;
    }
    cr_expect_eq(rows, (cut_us - configured_us) / 1000);
    unlink(log);
    unlink(samples);
    rmdir(folder);
}

Test(rig_program, the_clock_starts_as_told)
{
    char path[128];
    char rest[4096];
    char err[4096];
    uint8_t body[WIRE_BODY_MAX];
    struct wire_status status;
    struct program p =
        start((const char *const[]){"--speedup", "100", "--faults", "clock-start=4294967295", NULL});
    read_path(&p, path, sizeof path);
    const int fd = open_host(path);
    cr_assert_eq(wire_unpack_status(body, wait_for(fd, WIRE_STATUS, body), &status), WIRE_OK);
    cr_expect_eq(status.time_us % 1000000, 999999);
    close(fd);
    kill(p.pid, SIGTERM);
    cr_expect_eq(finish(&p, rest, err, sizeof rest), EXIT_DONE);
}
