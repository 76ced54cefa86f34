/* The two files, read back. */
#include "rig/simulator/rig_log.h"

#include <criterion/criterion.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct rig_log *open_log(char *folder, char *log_path, char *samples_path)
{
    struct rig_log *log = NULL;
    struct err e;
    cr_assert(mkdtemp(folder) != NULL);
    sprintf(log_path, "%s/log.jsonl", folder);
    sprintf(samples_path, "%s/samples.csv", folder);
    FILE *old = fopen(log_path, "w");
    cr_assert(old != NULL);
    fputs("left over from before\n", old);
    fclose(old);
    cr_assert_eq(rig_log_open(log_path, samples_path, &log, &e), ERR_OK);
    return log;
}

static void read_file(const char *path, char *text, size_t size)
{
    FILE *f = fopen(path, "r");
    cr_assert(f != NULL);
    text[fread(text, 1, size - 1, f)] = '\0';
    fclose(f);
}

static void remove_all(const char *folder, const char *log_path, const char *samples_path)
{
    unlink(log_path);
    unlink(samples_path);
    rmdir(folder);
}

Test(rig_log, each_kind_is_one_line_with_its_keys)
{
    char folder[] = "/tmp/nipbench-log-XXXXXX";
    char log_path[64];
    char samples_path[64];
    char text[8192];
    struct rig_log *log = open_log(folder, log_path, samples_path);
    struct err e;
    rig_log_look(log, (const int64_t[]){1000, 3000}, (const int64_t[]){500000, 500200});
    const struct {
        struct rig_happening h;
        const char *line;
    } cases[] = {
        {{.kind = RIG_POWER_ON, .time_us = 1000, .rig_us = 7, .boot = 4000000000u},
         "{\"rig_us\":7,\"outside_us\":500000,\"what\":\"power-on\",\"boot\":4000000000}"},
        {{.kind = RIG_CONFIGURED,
          .time_us = 2000,
          .rig_us = 5000000007,
          .feeder = "a \"b\"",
          .sample_rate_millihertz = 1000500,
          .has_sequence = true,
          .sequence = 65535},
         "{\"rig_us\":5000000007,\"outside_us\":500100,\"what\":\"configured\",\"feeder\":\"a \\\"b\\\"\","
         "\"rate_hz\":1000.5,\"sequence\":65535}"},
        {{.kind = RIG_SAMPLING_ENDED, .time_us = 2000, .word = "host"},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"sampling-ended\",\"why\":\"host\"}"},
        {{.kind = RIG_ARMED,
          .time_us = 2000,
          .has_sequence = true,
          .sequence = 3,
          .limits = {-8, 9, 4000000000u, 600}},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"armed\",\"force_limit_low_counts\":-8,"
         "\"force_limit_high_counts\":9,\"travel_limit_microsteps\":4000000000,\"time_limit_ms\":600,"
         "\"sequence\":3}"},
        {{.kind = RIG_MOVE,
          .time_us = 2000,
          .has_sequence = true,
          .sequence = 4,
          .move = {-1234567, 20000, 640},
          .commanded_steps = -5},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"move\",\"speed_steps_s\":-1234.567,"
         "\"acceleration_steps_s2\":20000,\"travel_microsteps\":640,\"commanded_steps\":-5,\"sequence\":4}"},
        {{.kind = RIG_STOP, .time_us = 2000, .commanded_steps = 6, .has_sequence = true, .sequence = 5},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"stop\",\"commanded_steps\":6,\"sequence\":5}"},
        {{.kind = RIG_STANDING, .time_us = 2000, .word = "travel", .commanded_steps = 640, .turned_us = 77},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"standing\",\"why\":\"travel\",\"commanded_steps\":"
         "640,"
         "\"turned_us\":77}"},
        {{.kind = RIG_CUT, .time_us = 2000, .word = "watchdog", .was_armed = true, .turned_us = RIG_NEVER_US},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"cut\",\"why\":\"watchdog\",\"armed\":true,"
         "\"moving\":false,\"commanded_steps\":0,\"turned_us\":null}"},
        {{.kind = RIG_FAULT, .time_us = 2000, .word = "missing", .has_sequence = true, .sequence = 9},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"fault\",\"fault\":\"missing\",\"sequence\":9,"
         "\"arrived\":0}"},
        {{.kind = RIG_FAULT,
          .time_us = 2000,
          .word = "noise",
          .has_sequence = true,
          .sequence = 9,
          .noise_bytes = 34,
          .arrived = 1},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"fault\",\"fault\":\"noise\",\"sequence\":9,"
         "\"bytes\":34,\"arrived\":1}"},
        {{.kind = RIG_FAULT,
          .time_us = 2000,
          .word = "host-missing",
          .has_sequence = true,
          .sequence = 9,
          .host_frame = true,
          .type = 3},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"fault\",\"fault\":\"host-missing\","
         "\"host_sequence\":9,\"type\":3,\"arrived\":0}"},
        {{.kind = RIG_FAULT,
          .time_us = 1500, /* earlier: the time outside does not go back */
          .word = "severed",
          .has_sequence = true,
          .sequence = 12,
          .phase = RIG_PHASE_BEGINS},
         "{\"rig_us\":0,\"outside_us\":500100,\"what\":\"fault\",\"fault\":\"severed\",\"phase\":\"begins\","
         "\"next_sequence\":12}"},
        {{.kind = RIG_FAULT,
          .time_us = 3000,
          .word = "severed",
          .has_sequence = true,
          .sequence = 15,
          .phase = RIG_PHASE_ENDS},
         "{\"rig_us\":0,\"outside_us\":500200,\"what\":\"fault\",\"fault\":\"severed\",\"phase\":\"ends\","
         "\"next_sequence\":15}"}};
    const size_t count = sizeof cases / sizeof cases[0];
    for (size_t i = 0; i < count; i++)
        rig_log_happened(log, &cases[i].h);
    rig_log_port(log, 3000, 8, "/dev/pts/77");
    read_file(log_path, text, sizeof text); /* before it is closed: each line is out as it happens */
    char *line = strtok(text, "\n");
    for (size_t i = 0; i < count; i++, line = strtok(NULL, "\n")) {
        cr_assert(line != NULL, "%zu", i);
        cr_expect_str_eq(line, cases[i].line);
        json_t *read = json_loads(line, JSON_REJECT_DUPLICATES, NULL);
        cr_expect(json_is_object(read));
        json_decref(read);
    }
    cr_expect_str_eq(line, "{\"rig_us\":8,\"outside_us\":500200,\"what\":\"port\",\"path\":\"/dev/pts/77\"}");
    cr_expect_null(strtok(NULL, "\n"));
    cr_expect_eq(rig_log_close(log, &e), ERR_OK);
    remove_all(folder, log_path, samples_path);
}

Test(rig_log, samples_are_rows_as_soon_as_their_frame_goes)
{
    char folder[] = "/tmp/nipbench-log-XXXXXX";
    char log_path[64];
    char samples_path[64];
    char text[4096];
    struct rig_log *log = open_log(folder, log_path, samples_path);
    struct err e;
    const struct wire_sample samples[] = {{4294967000u, -8388608, -12, 2000000000, 9}, {704, 5, 6, 7, 0}};
    struct rig_samples s = {.samples = samples,
                            .count = 2,
                            .time_us = 10000,
                            .rig_us = 4294967000,
                            .framed = true,
                            .sequence = 517};
    rig_log_look(log, (const int64_t[]){10500, 11500}, (const int64_t[]){1000, 2000});
    rig_log_sampled(log, &s);
    s.framed = false;
    s.count = 1;
    s.time_us = 11250;
    s.rig_us = 1;
    rig_log_sampled(log, &s);
    read_file(samples_path, text, sizeof text);
    cr_expect_str_eq(text, "rig_us,outside_us,sequence,force_counts,commanded_steps,encoder_counts,flags\n"
                           "4294967000,500,517,-8388608,-12,2000000000,9\n"
                           "4294968000,1500,517,5,6,7,0\n"
                           "1,1750,,-8388608,-12,2000000000,9\n");
    cr_expect_eq(rig_log_close(log, &e), ERR_OK);
    remove_all(folder, log_path, samples_path);
}

Test(rig_log, what_cannot_be_written_is_told_at_the_end)
{
    struct rig_log *log = NULL;
    struct err e;
    const struct rig_happening h = {.kind = RIG_POWER_ON};
    const struct wire_sample sample = {0};
    const struct rig_samples s = {.samples = &sample, .count = 1};
    cr_expect_eq(rig_log_open("/nonexistent/log", NULL, &log, &e), ERR_SYSTEM);
    cr_expect_str_eq(e.file, "/nonexistent/log");
    cr_expect_eq(rig_log_open(NULL, "/nonexistent/samples", &log, &e), ERR_SYSTEM);
    cr_assert_eq(rig_log_open("/dev/full", NULL, &log, &e), ERR_OK);
    rig_log_happened(log, &h);
    rig_log_sampled(log, &s);
    cr_expect_eq(rig_log_close(log, &e), ERR_SYSTEM);
    cr_expect_str_eq(e.file, "/dev/full");
    cr_expect_eq(rig_log_open(NULL, "/dev/full", &log, &e), ERR_SYSTEM);
    cr_assert_eq(rig_log_open(NULL, NULL, &log, &e), ERR_OK);
    rig_log_happened(log, &h);
    rig_log_sampled(log, &s);
    rig_log_port(log, 0, 0, "x");
    cr_expect_eq(rig_log_close(log, &e), ERR_OK);
}
