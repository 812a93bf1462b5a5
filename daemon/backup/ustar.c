#include "daemon/backup/ustar.h"

#include <string.h>

#include "lib/base/invariant.h"

/* A header's fields: where they begin, and how long they are. */
struct field {
    size_t at, size;
};

static const struct field NAME = { 0, 100 }, MODE = { 100, 8 }, UID = { 108, 8 }, GID = { 116, 8 },
                          SIZE = { 124, 12 }, MTIME = { 136, 12 }, SUM = { 148, 8 },
                          MAGIC = { 257, 8 }, DEVMAJOR = { 329, 8 }, DEVMINOR = { 337, 8 };

enum { TYPE_AT = 156, LINK_AT = 157, PREFIX_AT = 345 };

/* "ustar", its NUL, and the version "00" */
static const char magic[] = { 'u', 's', 't', 'a', 'r', '\0', '0', '0' };

/* Octal digits over the whole field but its last byte, a NUL. */
static void put_octal(uint8_t *block, struct field f, uint64_t value)
{
    for (size_t i = f.size - 1; i-- > 0; value /= 8) {
        block[f.at + i] = (uint8_t)('0' + value % 8);
    }
    block[f.at + f.size - 1] = '\0';
    INVARIANT(value == 0);
}

/* Digits, ended by a NUL. */
static bool get_octal(int64_t *ret, const uint8_t *block, struct field f)
{
    int64_t value = 0;
    size_t i = 0;
    for (; i < f.size - 1 && block[f.at + i] >= '0' && block[f.at + i] <= '7'; i++) {
        value = value * 8 + (block[f.at + i] - '0');
    }
    *ret = value;
    return i > 0 && block[f.at + i] == '\0';
}

/* The sum of all bytes, with blanks where the sum itself stands. */
static int64_t add_up(const uint8_t block[USTAR_BLOCK])
{
    int64_t sum = 0;
    for (size_t i = 0; i < USTAR_BLOCK; i++) {
        sum += i >= SUM.at && i < SUM.at + SUM.size ? ' ' : block[i];
    }
    return sum;
}

void ustar_write(uint8_t ret[USTAR_BLOCK], const struct ustar_member *member)
{
    const size_t length = strlen(member->name);
    INVARIANT(length > 0 && length <= NAME.size);
    INVARIANT(member->bytes >= 0 && member->bytes <= USTAR_BYTES_MOST);
    memset(ret, 0, USTAR_BLOCK);
    memcpy(ret + NAME.at, member->name, length);
    put_octal(ret, MODE, member->mode & 0777U);
    put_octal(ret, UID, 0);
    put_octal(ret, GID, 0);
    put_octal(ret, SIZE, (uint64_t)member->bytes);
    put_octal(ret, MTIME, member->mtime_s > 0 ? (uint64_t)member->mtime_s : 0);
    put_octal(ret, DEVMAJOR, 0);
    put_octal(ret, DEVMINOR, 0);
    memcpy(ret + MAGIC.at, magic, sizeof magic);
    ret[TYPE_AT] = '0';
    put_octal(ret, (struct field){ SUM.at, SUM.size - 1 }, (uint64_t)add_up(ret));
    ret[SUM.at + SUM.size - 1] = ' ';
}

static bool is_zero(const uint8_t block[USTAR_BLOCK])
{
    for (size_t i = 0; i < USTAR_BLOCK; i++) {
        if (block[i] != 0) return false;
    }
    return true;
}

enum ustar_found ustar_read(struct ustar_member *ret, const uint8_t block[USTAR_BLOCK])
{
    int64_t sum = 0, mode = 0;
    if (is_zero(block)) return USTAR_END;
    *ret = (struct ustar_member){ .bytes = 0 };
    if (memcmp(block + MAGIC.at, magic, sizeof magic) != 0) return USTAR_BROKEN;
    if (!get_octal(&sum, block, SUM) || sum != add_up(block)) return USTAR_BROKEN;
    if (block[SUM.at + SUM.size - 1] != ' ') return USTAR_BROKEN; /* the sum leaves it out */
    if (block[TYPE_AT] != '0' || block[LINK_AT] != '\0' || block[PREFIX_AT] != '\0')
        return USTAR_BROKEN;
    if (!get_octal(&ret->bytes, block, SIZE) || !get_octal(&mode, block, MODE)) return USTAR_BROKEN;
    if (mode > 0777 || block[NAME.at] == '\0') return USTAR_BROKEN;
    ret->mode = (unsigned)mode;
    memcpy(ret->name, block + NAME.at, NAME.size); /* the one byte more is a NUL */
    return USTAR_MEMBER;
}

int64_t ustar_filling(int64_t bytes)
{
    return (USTAR_BLOCK - bytes % USTAR_BLOCK) % USTAR_BLOCK;
}
