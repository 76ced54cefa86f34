/* Runs in the guest: what the kernel says about a serial port, as JSON. With a second argument "hang-up" it
 * also sets HUPCL, so that its own closing drops DTR, as a careless program would. */
#include <asm/termbits.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

int main(int argc, char **argv)
{
    struct termios2 settings;
    int lines = 0;
    int fd = argc >= 2 ? open(argv[1], O_RDWR | O_NOCTTY | O_NONBLOCK) : -1;
    if (fd < 0 || ioctl(fd, TCGETS2, &settings) < 0 || ioctl(fd, TIOCMGET, &lines) < 0) {
        perror(argc >= 2 ? argv[1] : "port_state");
        return 1;
    }
    printf("{\"in_baud\": %u, \"out_baud\": %u, \"hupcl\": %s, \"ixon\": %s, \"crtscts\": %s, \"bits\": %d, "
           "\"parity\": %s, \"dtr\": %s, \"rts\": %s}\n",
           settings.c_ispeed, settings.c_ospeed, (settings.c_cflag & HUPCL) != 0 ? "true" : "false",
           (settings.c_iflag & (IXON | IXOFF)) != 0 ? "true" : "false",
           (settings.c_cflag & CRTSCTS) != 0 ? "true" : "false", (settings.c_cflag & CSIZE) == CS8 ? 8 : 0,
           (settings.c_cflag & PARENB) != 0 ? "true" : "false", (lines & TIOCM_DTR) != 0 ? "true" : "false",
           (lines & TIOCM_RTS) != 0 ? "true" : "false");
    if (argc >= 3 && strcmp(argv[2], "hang-up") == 0) {
        settings.c_cflag |= HUPCL;
        if (ioctl(fd, TCSETS2, &settings) < 0) {
            perror(argv[1]);
            return 1;
        }
    }
    return close(fd) == 0 ? 0 : 1;
}
