#include "datasets/format/file_bytes.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <stdio_ext.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#define HASH_CHUNK_BYTES (256 * 1024)

/* Open for reading; only a regular file of at most limit bytes will do. O_NONBLOCK keeps a named pipe from
 * hanging the program before it is seen to be one; it changes nothing for a regular file. */
static enum err_code open_regular(const char *path, int64_t limit, int *fd, int64_t *size, struct err *e)
{
    struct stat status;
    *fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (*fd < 0)
        return err_set_at(e, errno == ENOMEM || errno == EMFILE || errno == ENFILE ? ERR_SYSTEM : ERR_FILE,
                          path, 0, 0, "cannot be opened: %s", strerror(errno));
    if (fstat(*fd, &status) != 0 || !S_ISREG(status.st_mode)) {
        close(*fd);
        *fd = -1;
        return err_set_at(e, ERR_FILE, path, 0, 0, "is not a regular file");
    }
    *size = status.st_size;
    if (*size > limit) {
        close(*fd);
        *fd = -1;
        return err_set_at(e, ERR_FILE, path, 0, 0, "is %lld bytes long; at most %lld are allowed",
                          (long long)*size, (long long)limit);
    }
    return ERR_OK;
}

/* read() until the buffer is full or the file ends; -1 with errno set on failure. */
static ssize_t read_fully(int fd, char *buffer, size_t size)
{
    size_t have = 0;
    while (have < size) {
        ssize_t n = read(fd, buffer + have, size - have);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return -1;
        if (n == 0)
            break;
        have += (size_t)n;
    }
    return (ssize_t)have;
}

enum err_code file_bytes_read(const char *path, size_t limit, char **bytes, size_t *length, struct err *e)
{
    int fd;
    int64_t size;
    ssize_t n;
    enum err_code code = open_regular(path, limit < INT64_MAX ? (int64_t)limit : INT64_MAX, &fd, &size, e);
    *bytes = NULL;
    *length = 0;
    if (code != ERR_OK)
        return code;
    /* One byte more than the file had a moment ago, so that a file that grows meanwhile is noticed. */
    *bytes = malloc((size_t)size + 2);
    if (*bytes == NULL) {
        close(fd);
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for %lld bytes", (long long)size);
    }
    n = read_fully(fd, *bytes, (size_t)size + 1);
    if (n != size) {
        code = n < 0 ? err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be read: %s", strerror(errno))
                     : err_set_at(e, ERR_FILE, path, 0, 0, "changed its length while it was read");
        free(*bytes);
        *bytes = NULL;
        close(fd);
        return code;
    }
    close(fd);
    (*bytes)[size] = 0;
    *length = (size_t)size;
    return ERR_OK;
}

enum err_code file_bytes_map(const char *path, int64_t limit, const char **bytes, size_t *length,
                             struct err *e)
{
    int fd;
    int64_t size;
    void *map = NULL;
    enum err_code code = open_regular(path, limit, &fd, &size, e);
    *bytes = NULL;
    *length = 0;
    if (code != ERR_OK)
        return code;
    if (size > 0)
        map = mmap(NULL, (size_t)size, PROT_READ, MAP_PRIVATE, fd, 0);
    if (map == MAP_FAILED)
        code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be mapped into memory: %s", strerror(errno));
    close(fd);
    if (code != ERR_OK)
        return code;
    *bytes = map;
    *length = (size_t)size;
    return ERR_OK;
}

void file_bytes_unmap(const char *bytes, size_t length)
{
    if (bytes != NULL)
        munmap((char *)bytes, length);
}

void file_bytes_let_go(const char *bytes, size_t from, size_t to)
{
    size_t page = (size_t)sysconf(_SC_PAGESIZE), begin = from / page * page, end = to / page * page;
    if (end > begin)
        madvise((char *)bytes + begin, end - begin, MADV_DONTNEED);
}

static enum err_code system_error(struct err *e, const char *path, const char *what, int number)
{
    return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be %s: %s%s", what, strerror(number),
                      number == ENOSPC || number == EDQUOT ? "; free some space and try again" : "");
}

enum err_code file_bytes_sync_folder(const char *path, struct err *e)
{
    char folder[4096];
    const char *slash = strrchr(path, '/');
    int fd;
    int number = 0;
    if (slash == NULL)
        snprintf(folder, sizeof folder, ".");
    else
        snprintf(folder, sizeof folder, "%.*s", (int)(slash - path) + 1, path);
    fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return system_error(e, folder, "opened", errno);
    /* Some file systems cannot sync a folder and say EINVAL; there is nothing more to be done there. */
    if (fsync(fd) != 0 && errno != EINVAL)
        number = errno;
    close(fd);
    return number == 0 ? ERR_OK : system_error(e, folder, "made durable", number);
}

enum err_code file_bytes_begin(struct file_bytes_writer *w, const char *path, enum file_bytes_care care,
                               struct err *e)
{
    int needed, fd, number;
    w->out = NULL;
    w->care = care;
    needed = snprintf(w->path, sizeof w->path, "%s", path);
    /* Some room is left for what the system adds to names of its own. */
    if (needed < 0 || (size_t)needed + 16 >= sizeof w->path)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be written: the name is too long");
    snprintf(w->temporary, sizeof w->temporary, "%s.XXXXXX.tmp", path);
    fd = mkostemps(w->temporary, 4, O_CLOEXEC);
    if (fd < 0)
        return system_error(e, path, "written", errno);
    w->out = fdopen(fd, "w");
    if (w->out != NULL) {
        /* One thread at a time writes to it, so each character need not take a lock. */
        __fsetlocking(w->out, FSETLOCKING_BYCALLER);
        return ERR_OK;
    }
    number = errno;
    close(fd);
    unlink(w->temporary);
    return system_error(e, path, "written", number);
}

enum err_code file_bytes_end(struct file_bytes_writer *w, struct err *e)
{
    int number = 0;
    errno = 0;
    if (fflush(w->out) != 0)
        number = errno;
    /* What was wrong when a write in between failed is forgotten by now: one more says it again. */
    if (number == 0 && ferror(w->out) != 0)
        number = write(fileno(w->out), "\n", 1) < 0 ? errno : EIO;
    if (number == 0 && fchmod(fileno(w->out), 0644) != 0)
        number = errno;
    if (number == 0 && w->care == FILE_BYTES_DURABLE && fsync(fileno(w->out)) != 0)
        number = errno;
    if (fclose(w->out) != 0 && number == 0)
        number = errno;
    w->out = NULL;
    if (number == 0 && rename(w->temporary, w->path) != 0)
        number = errno;
    if (number != 0) {
        unlink(w->temporary);
        return system_error(e, w->path, "written", number);
    }
    return w->care == FILE_BYTES_DURABLE ? file_bytes_sync_folder(w->path, e) : ERR_OK;
}

void file_bytes_drop(struct file_bytes_writer *w)
{
    if (w->out == NULL)
        return;
    fclose(w->out);
    w->out = NULL;
    unlink(w->temporary);
}

enum err_code file_bytes_write(const char *path, const void *bytes, size_t length, struct err *e)
{
    return file_bytes_write_with(path, bytes, length, FILE_BYTES_DURABLE, e);
}

enum err_code file_bytes_write_with(const char *path, const void *bytes, size_t length,
                                    enum file_bytes_care care, struct err *e)
{
    struct file_bytes_writer w = {0};
    enum err_code code = file_bytes_begin(&w, path, care, e);
    if (code != ERR_OK)
        return code;
    fwrite(bytes, 1, length, w.out);
    return file_bytes_end(&w, e);
}

bool file_bytes_is_temporary(const char *name, const char *base)
{
    size_t length = strlen(base);
    if (strncmp(name, base, length) != 0 || name[length] != '.' ||
        strlen(name + length) != sizeof ".XXXXXX.tmp" - 1)
        return false;
    for (size_t i = 1; i <= 6; i++) {
        if (!isalnum((unsigned char)name[length + i]))
            return false;
    }
    return strcmp(name + length + 7, ".tmp") == 0;
}

/* Some file systems do not know the flag; there the check comes first. */
static int rename_new(const char *from, const char *to)
{
    if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) == 0)
        return 0;
    if (errno != EINVAL && errno != ENOSYS)
        return -1;
    if (faccessat(AT_FDCWD, to, F_OK, AT_SYMLINK_NOFOLLOW) == 0) {
        errno = EEXIST;
        return -1;
    }
    return rename(from, to);
}

enum err_code file_bytes_rename_new(const char *from, const char *to, struct err *e)
{
    if (rename_new(from, to) != 0)
        return err_set_at(e, ERR_SYSTEM, from, 0, 0, "cannot be renamed to %.300s: %s", to, strerror(errno));
    return file_bytes_sync_folder(to, e);
}

/* The hasher is libcrypto's own. */
struct file_bytes_hasher *file_bytes_hasher_new(void)
{
    EVP_MD_CTX *context = EVP_MD_CTX_new();
    if (context != NULL && EVP_DigestInit_ex(context, EVP_sha256(), NULL) != 1) {
        EVP_MD_CTX_free(context);
        context = NULL;
    }
    return (struct file_bytes_hasher *)context;
}

bool file_bytes_hasher_add(struct file_bytes_hasher *hasher, const void *bytes, size_t length)
{
    return EVP_DigestUpdate((EVP_MD_CTX *)hasher, bytes, length) == 1;
}

bool file_bytes_hasher_end(struct file_bytes_hasher *hasher, char *text)
{
    static const char hex[] = "0123456789abcdef";
    EVP_MD_CTX *context = (EVP_MD_CTX *)hasher;
    unsigned char digest[EVP_MAX_MD_SIZE];
    unsigned length = 0;
    bool good = text == NULL || (EVP_DigestFinal_ex(context, digest, &length) == 1 && length == 32);
    EVP_MD_CTX_free(context);
    if (text == NULL || !good)
        return good;
    memcpy(text, "sha256:", 7);
    for (unsigned i = 0; i < length; i++) {
        text[7 + 2 * i] = hex[digest[i] >> 4];
        text[8 + 2 * i] = hex[digest[i] & 15];
    }
    text[7 + 2 * length] = 0;
    return true;
}

enum err_code file_bytes_hash_memory(const void *bytes, size_t length, const char *path, char *text,
                                     struct err *e)
{
    struct file_bytes_hasher *hasher = file_bytes_hasher_new();
    bool good;
    if (hasher == NULL)
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for a SHA-256");
    good = file_bytes_hasher_add(hasher, bytes, length);
    good = file_bytes_hasher_end(hasher, text) && good;
    return good
               ? ERR_OK
               : err_set_at(e, ERR_SYSTEM, path, 0, 0, "the cryptographic library cannot work out a SHA-256");
}

enum err_code file_bytes_hash(const char *path, char *text, int64_t *size, struct err *e)
{
    return file_bytes_hash_told(path, text, size, NULL, NULL, e);
}

enum err_code file_bytes_hash_told(const char *path, char *text, int64_t *size,
                                   void (*came)(void *context, int64_t bytes), void *context, struct err *e)
{
    char *chunk = malloc(HASH_CHUNK_BYTES);
    struct file_bytes_hasher *hasher = file_bytes_hasher_new();
    int fd = -1;
    int64_t expected;
    int64_t total = 0;
    ssize_t n = 0;
    bool good = true;
    enum err_code code;
    if (chunk == NULL || hasher == NULL) {
        code = err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for a SHA-256");
        goto out;
    }
    code = open_regular(path, FILE_BYTES_SIZE_MAX, &fd, &expected, e);
    if (code != ERR_OK)
        goto out;
    while (good && (n = read_fully(fd, chunk, HASH_CHUNK_BYTES)) > 0) {
        total += n;
        good = file_bytes_hasher_add(hasher, chunk, (size_t)n);
        if (came != NULL)
            came(context, n);
    }
    if (n < 0) {
        code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be read: %s", strerror(errno));
        goto out;
    }
    good = file_bytes_hasher_end(hasher, text) && good;
    hasher = NULL;
    if (!good)
        code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "the cryptographic library cannot work out a SHA-256");
    else if (size != NULL)
        *size = total;
out:
    if (fd >= 0)
        close(fd);
    if (hasher != NULL)
        file_bytes_hasher_end(hasher, NULL);
    free(chunk);
    return code;
}
