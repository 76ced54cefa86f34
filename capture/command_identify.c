/* The command `identify': ask a rig who it is. */
#include "capture/commands.h"
#include "capture/link.h"
#include "capture/rig_client.h"
#include "capture/rig_open.h"

#include <argp.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>

static int print_identity_json(const char *port, const struct wire_identity *i)
{
    json_t *o = json_object();
    json_object_set_new(o, "port", json_string(port));
    json_object_set_new(o, "serial", json_string(i->serial));
    json_object_set_new(o, "firmware", json_string(i->firmware));
    json_object_set_new(o, "protocol", json_sprintf("%d.%d", i->protocol_major, i->protocol_minor));
    json_object_set_new(o, "boot", json_integer(i->boot));
    json_object_set_new(o, "time_scale", json_real(i->time_scale_milli / 1000.0));
    json_object_set_new(o, "sample_rate_max_hz", json_real(i->sample_rate_max_millihertz / 1000.0));
    json_object_set_new(o, "counts_min", json_integer(i->counts_min));
    json_object_set_new(o, "counts_max", json_integer(i->counts_max));
    json_object_set_new(o, "encoder", json_boolean((i->channels & WIRE_CHANNEL_ENCODER) != 0));
    json_object_set_new(o, "encoder_nm_per_count", json_integer(i->encoder_nm_per_count));
    json_object_set_new(o, "full_steps_per_rev", json_integer(i->full_steps_per_rev));
    json_object_set_new(o, "microsteps", json_integer(i->microsteps));
    return commands_print_json(o);
}

static int print_identity(const char *port, struct wire_identity *i)
{
    printf("port         %s\n", port);
    printf("rig          %s\n", err_clean_text(i->serial));
    printf("firmware     %s\n", err_clean_text(i->firmware));
    printf("protocol     %d.%d\n", i->protocol_major, i->protocol_minor);
    printf("boot         %" PRIu32 "\n", i->boot);
    if (i->time_scale_milli != 1000)
        printf("clock        simulated, %g rig seconds a second\n", i->time_scale_milli / 1000.0);
    printf("sample rate  up to %g Hz\n", i->sample_rate_max_millihertz / 1000.0);
    printf("converter    %" PRId32 " to %" PRId32 " counts\n", i->counts_min, i->counts_max);
    if ((i->channels & WIRE_CHANNEL_ENCODER) != 0)
        printf("encoder      %g um a count\n", i->encoder_nm_per_count / 1000.0);
    else
        printf("encoder      none\n");
    if (i->full_steps_per_rev != 0)
        printf("motor        %d full steps a turn, %d microsteps each\n", i->full_steps_per_rev,
               i->microsteps);
    else if (i->microsteps != 0)
        printf("driver       %d microsteps a full step\n", i->microsteps);
    else
        printf("motor        not known to the rig\n");
    return commands_finish_output();
}

int command_identify(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {
        COMMANDS_JSON_OPTION, COMMANDS_BAUD_OPTION, COMMANDS_LIBRARY_OPTION, {0}};
    static const struct argp ARGP = {
        OPTIONS, commands_parse_port,
        "PORT",  "Ask the rig at PORT who it is. Nothing moves.\v" COMMANDS_EXIT_STATUSES,
        NULL,    NULL,
        NULL};
    struct commands_arguments a;
    struct link *link = NULL;
    struct rig_client *client = NULL;
    struct wire_identity identity;
    struct err e;
    int status;
    commands_parse(&ARGP, argc, argv, "identify", &a);
    if (rig_open(a.port, a.baud, a.way, &link, &e) != ERR_OK || rig_client_new(link, &client, &e) != ERR_OK ||
        rig_client_identify(client, &identity, &e) != ERR_OK)
        status = commands_report(&e);
    else if (a.json)
        status = print_identity_json(a.port, &identity);
    else
        status = print_identity(a.port, &identity);
    rig_client_free(client);
    link_close(link);
    return status;
}
