/* The command `ports': list the serial ports of this machine. */
#include "capture/commands.h"
#include "capture/link.h"

#include <argp.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>

static int print_ports_json(const struct link_port *ports, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *port = json_object();
        json_object_set_new(port, "port", json_string(ports[i].name));
        json_object_set_new(port, "description", json_string(ports[i].description));
        json_object_set_new(port, "serial", json_string(ports[i].serial));
        json_object_set_new(port, "usb_vendor",
                            ports[i].usb_vendor < 0 ? json_null() : json_integer(ports[i].usb_vendor));
        json_object_set_new(port, "usb_product",
                            ports[i].usb_product < 0 ? json_null() : json_integer(ports[i].usb_product));
        json_array_append_new(list, port);
    }
    return commands_print_json(list);
}

int command_ports(int argc, char **argv)
{
    static const struct argp_option OPTIONS[] = {COMMANDS_JSON_OPTION, {0}};
    static const struct argp ARGP = {
        OPTIONS,
        commands_parse_common,
        NULL,
        "List the serial ports of this machine. A simulated rig prints its own path and is "
        "not listed.\v" COMMANDS_EXIT_STATUSES,
        NULL,
        NULL,
        NULL};
    struct commands_arguments a;
    struct link_port *ports;
    struct err e;
    size_t count;
    int status;
    commands_parse(&ARGP, argc, argv, "ports", &a);
    if (link_list_ports(&ports, &count, &e) != ERR_OK)
        return commands_report(&e);
    if (a.json) {
        status = print_ports_json(ports, count);
        free(ports);
        return status;
    }
    if (count == 0)
        fprintf(stderr, COMMANDS_PROGRAM ": no serial port found\n");
    for (size_t i = 0; i < count; i++) {
        printf("%s", ports[i].name);
        if (ports[i].usb_vendor >= 0)
            printf("  USB %04x:%04x", (unsigned)ports[i].usb_vendor, (unsigned)ports[i].usb_product);
        if (ports[i].description[0] != 0)
            printf("  %s", err_clean_text(ports[i].description));
        if (ports[i].serial[0] != 0)
            printf("  serial %s", err_clean_text(ports[i].serial));
        putchar('\n');
    }
    free(ports);
    return commands_finish_output();
}
