/* Every line of standard input as a row of a CSV file: its number, the text, a number. check_csv.py reads the
 * file back, and has a spreadsheet read it. */
#include "analyze/report/text_format.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>

int main(void)
{
    char *line = NULL;
    size_t size = 0, row = 0;
    fputs("\xEF\xBB\xBFrow,text,number\r\n", stdout);
    while (getline(&line, &size, stdin) > 0) {
        line[strcspn(line, "\n")] = 0;
        printf("%zu,", ++row);
        text_csv(stdout, line);
        fputc(',', stdout);
        text_csv_number(stdout, (row % 2 == 0 ? -1 : 1) * 2.385 * pow(10, (double)(row % 23) - 9));
        fputs("\r\n", stdout);
    }
    free(line);
    return 0;
}
