#include "analyze/report/text_width.h"

#include "rig/base/number.h"

#include <locale.h>
#include <pthread.h>
#include <string.h>
#include <sys/ioctl.h>
#include <wchar.h>

#define COLUMNS_MAX 10000

static pthread_once_t once = PTHREAD_ONCE_INIT;
static locale_t utf8; /* (locale_t)0 where the system has none: then every character counts one column */

static void find_utf8(void)
{
    utf8 = newlocale(LC_CTYPE_MASK, "C.UTF-8", (locale_t)0);
}

/* Bytes and columns of the character at p, of which left bytes are there; bytes that are no character count
 * one column each. Called with the locale in use. */
static size_t character(const char *p, size_t left, int *columns)
{
    mbstate_t state = {0};
    wchar_t wide;
    size_t bytes;
    if (utf8 == (locale_t)0) {
        for (bytes = 1; bytes < left && ((unsigned char)p[bytes] & 0xC0) == 0x80; bytes++)
            ;
        *columns = 1;
        return bytes;
    }
    bytes = mbrtowc(&wide, p, left, &state);
    *columns = 1;
    if (bytes == 0 || bytes > left)
        return 1;
    *columns = wcwidth(wide);
    if (*columns < 0) /* a character that the system does not know; terminals show a box for it */
        *columns = 1;
    return bytes;
}

static locale_t use_utf8(void)
{
    pthread_once(&once, find_utf8);
    return utf8 == (locale_t)0 ? (locale_t)0 : uselocale(utf8);
}

static void use_again(locale_t before)
{
    if (before != (locale_t)0)
        uselocale(before);
}

int text_width_of(const char *text, size_t length)
{
    locale_t before = use_utf8();
    int width = 0, columns;
    for (size_t i = 0; i < length; width += columns)
        i += character(text + i, length - i, &columns);
    use_again(before);
    return width;
}

int text_width(const char *text)
{
    return text_width_of(text, strlen(text));
}

size_t text_width_fit(const char *text, size_t length, int columns)
{
    locale_t before = use_utf8();
    size_t fit = 0;
    int width = 0;
    while (fit < length) {
        int own;
        size_t bytes = character(text + fit, length - fit, &own);
        if (fit > 0 && width + own > columns)
            break;
        fit += bytes;
        width += own;
    }
    use_again(before);
    return fit;
}

int text_width_of_terminal(int fd, const char *columns)
{
    struct winsize size = {0};
    int64_t number;
    int width = TEXT_WIDTH_USUAL;
    if (ioctl(fd, TIOCGWINSZ, &size) == 0 && size.ws_col > 0)
        width = size.ws_col;
    else if (columns != NULL && number_read_int64(columns, 1, COLUMNS_MAX, "", "", &number, NULL) == ERR_OK)
        width = (int)number;
    return width < TEXT_WIDTH_LEAST ? TEXT_WIDTH_LEAST : width;
}
