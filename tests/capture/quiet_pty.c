/* For tests of the command line: a port that is no rig. Prints the path of a pseudo-terminal and serves it
 * until standard input ends. Without an argument it says nothing; `echo' sends everything back; `babble'
 * answers with bytes that are no messages. */
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

int main(int argc, char **argv)
{
    static const char BABBLE[] = "ready>\r\n\0\377\376ok\r\n";
    const char *how = argc > 1 ? argv[1] : "";
    struct termios settings;
    int master = posix_openpt(O_RDWR | O_NOCTTY);
    int slave;
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0)
        return 1;
    /* Held open, so that the master does not see a hang-up when the program under test closes. */
    slave = open(ptsname(master), O_RDWR | O_NOCTTY);
    if (slave < 0 || tcgetattr(slave, &settings) != 0)
        return 1;
    cfmakeraw(&settings);
    if (tcsetattr(slave, TCSANOW, &settings) != 0)
        return 1;
    printf("%s\n", ptsname(master));
    fflush(stdout);
    for (;;) {
        struct pollfd fds[2] = {{.fd = STDIN_FILENO, .events = POLLIN}, {.fd = master, .events = POLLIN}};
        char bytes[256];
        ssize_t n;
        if (poll(fds, 2, -1) < 0)
            return 1;
        if (fds[0].revents != 0 && read(STDIN_FILENO, bytes, sizeof bytes) <= 0)
            return 0;
        if (fds[1].revents == 0)
            continue;
        n = read(master, bytes, sizeof bytes);
        if (n <= 0)
            return 1;
        if (strcmp(how, "echo") == 0 && write(master, bytes, (size_t)n) != n)
            return 1;
        if (strcmp(how, "babble") == 0 && write(master, BABBLE, sizeof BABBLE) != (ssize_t)sizeof BABBLE)
            return 1;
    }
}
