/* Whole files as bytes: read with a bound, written so that a crash leaves the old file or the new one and
 * nothing in between, and hashed. Knows nothing of what the bytes mean. */
#ifndef DATASETS_FORMAT_FILE_BYTES_H
#define DATASETS_FORMAT_FILE_BYTES_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* The longest file that a series may hold: 2 GiB. */
#define FILE_BYTES_SIZE_MAX (INT64_C(2) * 1024 * 1024 * 1024)

/* "sha256:", 64 hexadecimal digits and the final zero byte. */
#define FILE_BYTES_HASH_SIZE 72

/* Read the regular file at path, at most limit bytes, into *bytes with a zero byte after the last one; the
 * caller frees it. ERR_FILE when it is missing, no regular file or longer than limit. */
enum err_code file_bytes_read(const char *path, size_t limit, char **bytes, size_t *length, struct err *e);

/* The same without a copy: *bytes is the file as it lies in the system's cache, to be read only, without a
 * zero byte behind it, and NULL where it is empty. file_bytes_unmap gives it back; NULL is fine. The file
 * must not shrink meanwhile: to read past its end is a bus error. ERR_FILE as above, ERR_SYSTEM when it
 * cannot be mapped. */
enum err_code file_bytes_map(const char *path, int64_t limit, const char **bytes, size_t *length,
                             struct err *e);
void file_bytes_unmap(const char *bytes, size_t length);
/* The pages from byte `from` to byte `to` of a mapping are not needed any more; one that is looked at all the
 * same comes back from the file. Memory is then that of what is in hand. */
void file_bytes_let_go(const char *bytes, size_t from, size_t to);

/* Write to a temporary name in the same folder, fsync, rename over path, fsync the folder. ERR_SYSTEM
 * otherwise, and then path is as it was. */
enum err_code file_bytes_write(const char *path, const void *bytes, size_t length, struct err *e);

/* The same for what is written piece by piece. After a begin that went well out takes the bytes, and either
 * end or drop must follow. file_bytes_end reports whatever went wrong with out since.
 * FILE_BYTES_MADE_AGAIN leaves out the waits for the disk: a program that dies still leaves the old file or
 * the new one, but a power cut may leave part of it. For what can be worked out again at any time. */
enum file_bytes_care { FILE_BYTES_DURABLE, FILE_BYTES_MADE_AGAIN };
struct file_bytes_writer {
    FILE *out;
    enum file_bytes_care care;
    char path[4096], temporary[4112];
};
enum err_code file_bytes_begin(struct file_bytes_writer *w, const char *path, enum file_bytes_care care,
                               struct err *e);
enum err_code file_bytes_end(struct file_bytes_writer *w, struct err *e);
void file_bytes_drop(struct file_bytes_writer *w);
/* All at once. */
enum err_code file_bytes_write_with(const char *path, const void *bytes, size_t length,
                                    enum file_bytes_care care, struct err *e);

/* Whether name is one that these give to a file while they write base: base, a point, six letters or digits,
 * ".tmp". A program that was killed leaves it behind. */
bool file_bytes_is_temporary(const char *name, const char *base);

/* Make durable that a file was made, renamed or taken away: fsync of the folder that path lies in. ERR_SYSTEM
 * otherwise. */
enum err_code file_bytes_sync_folder(const char *path, struct err *e);

/* Rename from to to, both in one folder, and make that durable. Never replaces a file: ERR_SYSTEM when to is
 * there. */
enum err_code file_bytes_rename_new(const char *from, const char *to, struct err *e);

/* SHA-256 of bytes that come piece by piece. file_bytes_hasher_end frees it and puts "sha256:<64 hex digits>"
 * into text (FILE_BYTES_HASH_SIZE bytes; NULL: it is only freed). False, from either, when the cryptographic
 * library fails; NULL when there is no memory. */
struct file_bytes_hasher;
struct file_bytes_hasher *file_bytes_hasher_new(void);
bool file_bytes_hasher_add(struct file_bytes_hasher *hasher, const void *bytes, size_t length);
bool file_bytes_hasher_end(struct file_bytes_hasher *hasher, char *text);

/* The same of bytes in memory, all at once; path is for messages. */
enum err_code file_bytes_hash_memory(const void *bytes, size_t length, const char *path, char *text,
                                     struct err *e);

/* SHA-256 of the regular file at path as "sha256:<64 hex digits>" into text (FILE_BYTES_HASH_SIZE bytes).
 * size, when not NULL, receives how many bytes were hashed. ERR_FILE for one of more than
 * FILE_BYTES_SIZE_MAX. */
enum err_code file_bytes_hash(const char *path, char *text, int64_t *size, struct err *e);

/* The same; came, when not NULL, is told of each piece that was hashed, so that somebody may see how far a
 * long file has come. */
enum err_code file_bytes_hash_told(const char *path, char *text, int64_t *size,
                                   void (*came)(void *context, int64_t bytes), void *context, struct err *e);

#endif
