/* Run a command and write what it took to a file, as one line: user and system seconds, and the most memory
 * that was resident, in KiB.
 *
 *     capture_cost FILE COMMAND [ARGUMENT...]
 *
 * A program that is started by a large one inherits its greatest resident size from it (getrusage(2), Linux),
 * so a small one stands in between. Ends as the command does. */
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

int main(int argc, char **argv)
{
    struct rusage usage;
    FILE *file;
    pid_t child;
    int status;
    if (argc < 3) {
        fputs("usage: capture_cost FILE COMMAND [ARGUMENT...]\n", stderr);
        return 2;
    }
    child = fork();
    if (child == 0) {
        execvp(argv[2], argv + 2);
        perror(argv[2]);
        _exit(127);
    }
    if (child < 0 || wait4(child, &status, 0, &usage) != child || (file = fopen(argv[1], "w")) == NULL) {
        perror("capture_cost");
        return 5;
    }
    fprintf(file, "%ld.%06ld %ld.%06ld %ld\n", (long)usage.ru_utime.tv_sec, (long)usage.ru_utime.tv_usec,
            (long)usage.ru_stime.tv_sec, (long)usage.ru_stime.tv_usec, usage.ru_maxrss);
    fclose(file);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}
