/* Every message of the protocol and every refusal, asked of the firmware's own binary. */
#include "tests/firmware/host.h"

#include <criterion/criterion.h>

static struct host *h;

static void start(void)
{
    h = host_new();
    h->keep_alive = true;
}

static void end(void)
{
    cr_assert_eq(h->broken, 0);
    cr_assert_eq(h->missing, 0);
    host_free(h);
}

TestSuite(firmware_commands, .init = start, .fini = end);

#define EXPECT(reason, call) cr_assert_eq((call), (reason), "%s", #call)

Test(firmware_commands, identify_is_answered)
{
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_IDENTIFY, NULL, 0));
    host_wait_ms(h, 5);
    const struct wire_identity *m = &h->identity;
    cr_assert_eq(h->identities, 1);
    cr_assert_eq(m->protocol_major, WIRE_PROTOCOL_MAJOR);
    cr_assert_eq(m->channels, 7);
    cr_assert_eq(m->time_scale_milli, 1000);
    cr_assert_eq(m->sample_rate_max_millihertz, 80000);
    cr_assert_eq(m->counts_min, -8388608);
    cr_assert_eq(m->counts_max, 8388607);
    cr_assert_eq(m->full_steps_per_rev, 200);
    cr_assert_eq(m->microsteps, 16);
    cr_assert_eq(m->boot & 0x7FFFFFFFu, (unsigned)h->events[0].value);
    cr_assert_str_eq((char *)m->serial, "no serial number");
}

Test(firmware_commands, it_starts_disarmed_with_the_coils_off)
{
    cr_assert_not(chip_figures(h->chip).coils);
    EXPECT(WIRE_REFUSED_NOT_ARMED, host_move(h, 1000000, 1000, 100));
    EXPECT(WIRE_REFUSED_NOT_ARMED, host_command(h, WIRE_STOP, NULL, 0));
    EXPECT(WIRE_REFUSED_NOT_CONFIGURED, host_arm_freely(h));
    host_wait_ms(h, 1100);
    cr_assert_eq(h->statuses, 1);
    cr_assert_eq(h->status.state, WIRE_STATE_IDLE);
    cr_assert_not(chip_figures(h->chip).coils);
    cr_assert_eq(chip_figures(h->chip).steps + chip_figures(h->chip).steps_off, 0);
    cr_assert_eq(h->sample_count, 0);
}

Test(firmware_commands, numbers_that_cannot_be_carried_out_are_refused)
{
    uint8_t body[WIRE_BODY_MAX];
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_configure(h, 80001));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_configure(h, 999));
    const struct wire_configure heavy = {.sample_rate_millihertz = 80000, .nip_preload_mn = 1000001};
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE,
           host_command(h, WIRE_CONFIGURE, body, wire_pack_configure(&heavy, body)));
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_arm(h, 100, 100, 1, 1));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_arm(h, -1, 1, 0, 1));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_arm(h, -1, 1, 1, 0));
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 0, 1000, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 99, 1000, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 20000001, 1000, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, -20000001, 1000, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, INT32_MIN, 1000, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 1000000, 0, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 1000000, 10000001, 100));
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 1000000, 1000, 2000000001));
    cr_assert_eq(chip_figures(h->chip).steps, 0);
}

Test(firmware_commands, too_little_travel_to_brake_in_is_refused)
{
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    EXPECT(WIRE_ACCEPTED, host_move(h, 2000000, 10000, 0));
    host_wait_ms(h, 400);
    /* From 2000 steps/s at 10,000 steps/s2 it takes 200 steps to stand. */
    EXPECT(WIRE_REFUSED_OUT_OF_RANGE, host_move(h, 2000000, 10000, 190));
    EXPECT(WIRE_ACCEPTED, host_move(h, 2000000, 10000, 210));
    const struct wire_event *event = host_event(h, 1000);
    cr_assert(event != NULL && event->kind == WIRE_EVENT_MOTION_DONE);
    cr_assert_eq(event->value, (int)chip_figures(h->chip).position);
}

Test(firmware_commands, what_the_state_forbids_is_refused)
{
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    cr_assert(chip_figures(h->chip).coils);
    EXPECT(WIRE_REFUSED_ARMED, host_arm_freely(h));
    EXPECT(WIRE_REFUSED_ARMED, host_configure(h, 80000));
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
    EXPECT(WIRE_ACCEPTED, host_configure(h, 0));
    EXPECT(WIRE_REFUSED_NOT_CONFIGURED, host_arm_freely(h));
}

Test(firmware_commands, what_is_active_on_an_input_keeps_it_from_being_armed)
{
    static const struct {
        enum chip_input input;
        enum wire_reason reason;
        enum wire_event_kind kind;
        uint8_t flag;
    } cases[] = {
        {CHIP_EMERGENCY_STOP, WIRE_REFUSED_EMERGENCY_STOP, WIRE_EVENT_EMERGENCY_STOP,
         WIRE_FLAG_EMERGENCY_STOP},
        {CHIP_DRIVER_FAULT, WIRE_REFUSED_DRIVER_FAULT, WIRE_EVENT_DRIVER_FAULT, WIRE_FLAG_DRIVER_FAULT},
        {CHIP_LIMIT_SWITCH, WIRE_REFUSED_LIMIT_SWITCH, WIRE_EVENT_LIMIT_SWITCH, WIRE_FLAG_LIMIT_SWITCH}};
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    host_wait_ms(h, 100);
    for (unsigned i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        chip_set(h->chip, cases[i].input, true);
        const struct wire_event *event = host_event(h, 10);
        cr_assert(event != NULL && event->kind == cases[i].kind, "case %u", i);
        EXPECT(cases[i].reason, host_arm_freely(h));
        host_wait_ms(h, 30);
        cr_assert_eq(h->samples[h->sample_count - 1].flags, cases[i].flag);
        chip_set(h->chip, cases[i].input, false);
        host_wait_ms(h, 5);
        EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
        EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
    }
}

Test(firmware_commands, unknown_and_malformed_commands_are_refused)
{
    static const uint8_t bytes[64] = {1, 2, 3};
    EXPECT(WIRE_REFUSED_UNKNOWN_COMMAND, host_command(h, 0x08, NULL, 0));
    EXPECT(WIRE_REFUSED_UNKNOWN_COMMAND, host_command(h, 0x7F, bytes, 12));
    EXPECT(WIRE_REFUSED_UNKNOWN_COMMAND, host_command(h, 0x00, NULL, 0));
    EXPECT(WIRE_REFUSED_MALFORMED, host_command(h, WIRE_CONFIGURE, bytes, 8));
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_REFUSED_MALFORMED, host_command(h, WIRE_ARM, bytes, 15));
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    EXPECT(WIRE_REFUSED_MALFORMED, host_command(h, WIRE_MOVE, bytes, 11));
    EXPECT(WIRE_REFUSED_MALFORMED, host_command(h, WIRE_MOVE, NULL, 0));
}

Test(firmware_commands, a_longer_body_of_a_newer_minor_version_is_read)
{
    uint8_t body[WIRE_BODY_MAX] = {0};
    const struct wire_configure m = {.sample_rate_millihertz = 80000,
                                     .feeder = "a name of thirty-two characters."};
    size_t length = wire_pack_configure(&m, body);
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CONFIGURE, body, length + 20));
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_IDENTIFY, body, 20));
}

Test(firmware_commands, cut_is_accepted_in_every_state)
{
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
    cr_assert_not(chip_figures(h->chip).coils);
    host_wait_ms(h, 100);
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    EXPECT(WIRE_ACCEPTED, host_move(h, 20000000, 1000000, 0));
    host_wait_ms(h, 100);
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
    const int64_t position = chip_figures(h->chip).position;
    cr_assert_not(chip_figures(h->chip).coils);
    host_wait_ms(h, 100);
    cr_assert_eq(chip_figures(h->chip).position, position);
    cr_assert_eq(chip_figures(h->chip).steps_off, 0);
    cr_assert_eq(h->samples[h->sample_count - 1].commanded_steps, (int)position);
    EXPECT(WIRE_REFUSED_NOT_ARMED, host_move(h, 1000000, 1000, 100));
    chip_set(h->chip, CHIP_EMERGENCY_STOP, true);
    host_wait_ms(h, 5);
    EXPECT(WIRE_ACCEPTED, host_command(h, WIRE_CUT, NULL, 0));
}

Test(firmware_commands, frames_of_rig_types_and_keep_alives_are_not_answered)
{
    const unsigned before = h->frames;
    for (unsigned type = 0x80; type <= 0x86; type++)
        host_send(h, (uint8_t)type, NULL, 0);
    host_send(h, WIRE_KEEP_ALIVE, NULL, 0);
    host_wait_ms(h, 50);
    cr_assert_eq(h->frames, before);
}

Test(firmware_commands, status_comes_once_a_second_and_tells_the_state)
{
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    host_wait_ms(h, 1050);
    const uint32_t first_us = h->status.time_us;
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    host_wait_ms(h, 1000);
    cr_assert_eq(h->status.state, WIRE_STATE_ARMED);
    EXPECT(WIRE_ACCEPTED, host_move(h, 1000000, 1000, 0));
    host_wait_ms(h, 8000);
    cr_assert_eq(h->status.state, WIRE_STATE_MOVING);
    cr_assert_eq(h->statuses, 10);
    cr_assert_leq(h->status.time_us - first_us - 9000000 + 2000, 4000);
}

Test(firmware_commands, each_start_has_another_boot_number_and_is_disarmed)
{
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_ACCEPTED, host_arm_freely(h));
    EXPECT(WIRE_ACCEPTED, host_move(h, 20000000, 1000000, 0));
    host_wait_ms(h, 100);
    chip_reset(h->chip);
    h->begun = false; /* sequence numbers begin anew */
    const struct wire_event *event = host_event(h, 200);
    cr_assert(event != NULL && event->kind == WIRE_EVENT_BOOT);
    cr_assert_neq(event->value, h->events[0].value);
    cr_assert_not(chip_figures(h->chip).coils);
    EXPECT(WIRE_REFUSED_NOT_ARMED, host_move(h, 1000000, 1000, 100));
    EXPECT(WIRE_REFUSED_NOT_CONFIGURED, host_arm_freely(h));
    host_wait_ms(h, 50);
    cr_assert_eq(chip_figures(h->chip).steps_off, 0);
}

Test(firmware_commands, what_is_active_at_the_start_is_no_event)
{
    chip_reset(h->chip);
    chip_set(h->chip, CHIP_EMERGENCY_STOP, true);
    h->begun = false;
    host_wait_ms(h, 100);
    cr_assert_eq(h->event_count, 2);
    cr_assert_eq(h->events[1].kind, WIRE_EVENT_BOOT);
    EXPECT(WIRE_ACCEPTED, host_configure(h, 80000));
    EXPECT(WIRE_REFUSED_EMERGENCY_STOP, host_arm_freely(h));
}
