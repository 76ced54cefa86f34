/* The client against a scripted rig: versions, silence, refusals, repeats. */
#include "capture/rig_client.h"
#include "tests/capture/scripted_rig.h"

#include <criterion/criterion.h>
#include <pthread.h>
#include <pty.h>
#include <string.h>
#include <unistd.h>

static struct scripted_rig rig;
static struct link *port;
static struct rig_client *client;
static struct err e;

static void begin(const struct script *script)
{
    scripted_rig_begin(&rig, script);
    cr_assert_eq(link_open(rig.path, LINK_BAUD_DEFAULT, LINK_BY_PATH, &port, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(rig_client_new(port, &client, &e), ERR_OK);
}

static void end(void)
{
    rig_client_free(client);
    link_close(port);
    scripted_rig_end(&rig);
}

Test(rig_client, identity_and_its_time_scale_are_taken)
{
    const struct script script = {0};
    struct wire_identity identity;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(identity.boot, 4097);
    cr_expect_str_eq(identity.serial, "S-17");
    cr_expect_eq(identity.counts_min, -8388608);
    cr_expect_eq(rig_client_outside_us(client, 500000), 25000, "20 rig seconds a second");
    end();
}

Test(rig_client, a_newer_rig_is_refused_and_sent_nothing_more)
{
    const struct script script = {.protocol_major = 2};
    struct wire_identity identity;
    begin(&script);
    cr_expect_eq(rig_client_identify(client, &identity, &e), ERR_DEVICE);
    cr_expect_str_eq(e.text, "rig speaks protocol 2.0; this program knows 1.x: update nipbench");
    cr_expect_str_eq(e.file, rig.path);
    end();
    cr_expect_eq(rig.command_count, 1);
}

Test(rig_client, a_silent_port_is_told_after_three_questions)
{
    const struct script script = {.mute = true};
    struct wire_identity identity;
    begin(&script);
    cr_expect_eq(rig_client_identify(client, &identity, &e), ERR_DEVICE);
    cr_expect(strncmp(e.text, "no reply in 3", 13) == 0, "%s", e.text);
    cr_expect(strstr(e.text, "is the rig powered, and is this its port?") != NULL, "%s", e.text);
    end();
}

Test(rig_client, bytes_that_are_no_messages_are_told_apart_from_silence)
{
    const struct script script = {.babbles = true};
    struct wire_identity identity;
    begin(&script);
    cr_expect_eq(rig_client_identify(client, &identity, &e), ERR_BYTES);
    cr_expect(strncmp(e.text, "18 bytes came in 3", 18) == 0, "%s", e.text);
    end();
}

/* Answers whatever it is sent with a line of text, as many other devices do: no delimiter ever comes. */
static void *answer_in_text(void *master)
{
    char bytes[512];
    int fd = *(int *)master;
    while (read(fd, bytes, sizeof bytes) > 0) {
        if (write(fd, "T:21.3 ok\r\n", 11) != 11)
            break;
    }
    return NULL;
}

Test(rig_client, a_device_that_talks_text_is_told_apart_from_silence)
{
    struct wire_identity identity;
    pthread_t thread;
    char name[128];
    int master, slave;
    cr_assert_eq(openpty(&master, &slave, name, NULL, NULL), 0);
    cr_assert_eq(link_open(name, LINK_BAUD_DEFAULT, LINK_BY_PATH, &port, &e), ERR_OK, "%s", e.text);
    close(slave);
    cr_assert_eq(rig_client_new(port, &client, &e), ERR_OK);
    cr_assert_eq(pthread_create(&thread, NULL, answer_in_text, &master), 0);
    cr_expect_eq(rig_client_identify(client, &identity, &e), ERR_BYTES);
    cr_expect(strncmp(e.text, "33 bytes came in 3", 18) == 0, "%s", e.text);
    rig_client_free(client);
    link_close(port);
    pthread_join(thread, NULL);
    close(master);
}

Test(rig_client, a_refusal_is_told_in_words)
{
    const struct script script = {.refuses = WIRE_ARM, .reason = WIRE_REFUSED_EMERGENCY_STOP};
    const struct wire_arm arm = {-5, 5, 100, 1000};
    struct wire_identity identity;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(rig_client_arm(client, &arm, &e), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig refused 'arm': the emergency stop is pressed");
    end();
}

static bool has_begun;

static bool look_whether_begun(void *context)
{
    (*(int *)context)++;
    return has_begun;
}

Test(rig_client, a_lost_command_is_sent_again)
{
    const struct script script = {.deaf_to_first = 1};
    const struct wire_configure configure = {.sample_rate_millihertz = 0, .feeder = "gear-a"};
    struct wire_identity identity;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(rig_client_configure(client, &configure, &e), ERR_OK, "%s", e.text);
    rig.script.mute = true;
    cr_expect_eq(rig_client_stop(client, &e), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig did not acknowledge 'stop' in 1000 ms");
    end();
    cr_expect_eq(rig.command_count, 3, "a mute rig counts nothing: %zu", rig.command_count);
    cr_expect_eq(rig.commands[2], WIRE_CONFIGURE);
}

Test(rig_client, a_move_is_not_sent_again_once_it_can_be_seen)
{
    const struct script script = {0};
    const struct wire_move move = {1000, 100, 10};
    struct wire_identity identity;
    int looked = 0;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    rig.script.mute = true;
    has_begun = false;
    cr_expect_eq(rig_client_move(client, &move, look_whether_begun, &looked, &e), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the rig did not acknowledge 'move' in 1000 ms");
    cr_expect_eq(looked, 3);
    has_begun = true;
    cr_expect_eq(rig_client_move(client, &move, look_whether_begun, &looked, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(looked, 4, "asked after the first try, and not sent a second time");
    end();
}

Test(rig_client, an_arm_whose_acknowledgement_was_lost_counts_when_the_rig_is_armed)
{
    const struct script script = {.refuses = WIRE_ARM, .reason = WIRE_REFUSED_ARMED, .deaf_to_arms = 1};
    const struct wire_arm arm = {-5, 5, 100, 1000};
    struct wire_identity identity;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(rig_client_arm(client, &arm, &e), ERR_OK, "%s", e.text);
    cr_expect_eq(rig_client_arm(client, &arm, &e), ERR_DEVICE, "at the first try it is a refusal");
    cr_expect_str_eq(e.text, "the rig refused 'arm': already armed");
    end();
}

Test(rig_client, keep_alives_go_out_while_waiting)
{
    const struct script script = {0};
    struct wire_identity identity;
    int64_t until_us;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    rig_client_keep_alive(client, true);
    until_us = link_now_us() + 150000; /* 3 s of rig time */
    while (link_now_us() < until_us)
        cr_assert_eq(rig_client_pump(client, until_us - link_now_us(), &e), ERR_OK, "%s", e.text);
    rig_client_keep_alive(client, false);
    end();
    cr_expect_geq(rig.keep_alives, 15, "%d in 3 s of rig time", rig.keep_alives);
    cr_expect_leq(rig.keep_alives, 42, "%d in 3 s of rig time", rig.keep_alives);
}

Test(rig_client, a_rig_that_goes_away_is_an_error)
{
    const struct script script = {0};
    struct wire_identity identity;
    begin(&script);
    cr_assert_eq(rig_client_identify(client, &identity, &e), ERR_OK, "%s", e.text);
    scripted_rig_end(&rig);
    cr_expect_eq(rig_client_cut(client, &e), ERR_DEVICE);
    cr_expect_str_eq(e.text, "the port is gone; was the rig unplugged?");
    rig_client_free(client);
    link_close(port);
}
