#include "frail_disk.h"

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { FILES = 512, DESCRIPTORS = 1024, BLOCK = 512, NAME = 80 };

/* Content that grows. */
struct bytes {
    uint8_t *at;
    size_t size;
};

/* A change of content that was not synced: bytes appended, or the end moved to 'offset' (bytes.at NULL). */
struct change {
    size_t offset;
    struct bytes bytes;
    bool is_lost; /* its sync failed */
};

struct file {
    char name[NAME];
    struct bytes safe; /* what a sync brought to the disk */
    struct change *changes;
    size_t change_count;
    bool is_named, is_named_safely;
};

static struct {
    char folder[64];
    uint64_t dice, one_in, changes, cut_at;
    struct file files[FILES];
    size_t count;
    struct file *open[DESCRIPTORS];
    struct {
        uint64_t seen, at;
        int why;
        bool goes_on;
    } faults[FRAIL_CALLS];
    uint64_t blocks, free_blocks;
} frail;

/* splitmix64 (Steele, Lea, Flood 2014) */
uint64_t frail_dice(uint64_t n)
{
    uint64_t z = (frail.dice += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (z ^ (z >> 31)) % n;
}

static void append(struct bytes *b, const void *bytes, size_t size)
{
    b->at = realloc(b->at, b->size + size + 1);
    ck_assert_ptr_nonnull(b->at);
    memcpy(b->at + b->size, bytes, size);
    b->size += size;
}

static void forget_changes(struct file *f)
{
    for (size_t k = 0; k < f->change_count; k++)
        free(f->changes[k].bytes.at);
    free(f->changes);
    f->changes = NULL;
    f->change_count = 0;
}

static void add_change(struct file *f, size_t offset, const void *bytes, size_t size)
{
    f->changes = realloc(f->changes, (f->change_count + 1) * sizeof *f->changes);
    ck_assert_ptr_nonnull(f->changes);
    struct change *c = &f->changes[f->change_count++];
    *c = (struct change){.offset = offset};
    if (bytes)
        append(&c->bytes, bytes, size);
}

void frail_begin(const char *folder, uint64_t seed)
{
    for (size_t k = 0; k < frail.count; k++) {
        forget_changes(&frail.files[k]);
        free(frail.files[k].safe.at);
    }
    memset(&frail, 0, sizeof frail);
    snprintf(frail.folder, sizeof frail.folder, "%s", folder);
    frail.dice = seed;
}

void frail_fail(enum frail_call call, uint64_t n, int why)
{
    frail.faults[call].at = n ? frail.faults[call].seen + n : 0;
    frail.faults[call].why = why;
    frail.faults[call].goes_on = false;
}

void frail_fail_on(enum frail_call call, uint64_t n, int why)
{
    frail_fail(call, n, why);
    frail.faults[call].goes_on = true;
}

void frail_fail_by_chance(uint64_t one_in)
{
    frail.one_in = one_in;
}

void frail_cut_power(uint64_t n)
{
    frail.cut_at = n ? frail.changes + n : 0;
}

bool frail_is_dark(void)
{
    return frail.cut_at && frail.changes >= frail.cut_at;
}

uint64_t frail_changes(void)
{
    return frail.changes;
}

void frail_size(uint64_t blocks, uint64_t free)
{
    frail.blocks = blocks;
    frail.free_blocks = free;
}

/* True: the call fails, errno is set; 0 stands for a short write. */
static bool fails(enum frail_call call)
{
    static const int causes[] = {EIO, ENOSPC, EROFS};
    uint64_t n = ++frail.faults[call].seen, at = frail.faults[call].at;
    bool changes = call != FRAIL_OPEN && call != FRAIL_PREAD;
    frail.changes += changes && !frail_is_dark();
    if (frail_is_dark()) {
        errno = EIO;
        return true;
    }
    if (at && (frail.faults[call].goes_on ? n >= at : n == at)) {
        errno = frail.faults[call].why;
        return true;
    }
    if (!frail.one_in || !changes || frail_dice(frail.one_in) != 0)
        return false;
    errno = call == FRAIL_WRITE && frail_dice(2) ? 0 : causes[frail_dice(3)];
    return true;
}

static struct file *file_of_name(const char *name)
{
    for (size_t k = 0; k < frail.count; k++)
        if (frail.files[k].is_named && strcmp(frail.files[k].name, name) == 0)
            return &frail.files[k];
    ck_assert_uint_lt(frail.count, FILES);
    struct file *f = &frail.files[frail.count++];
    snprintf(f->name, NAME, "%s", name);
    return f;
}

static int frail_open(int folder, const char *name, int flags)
{
    if (fails(flags & O_CREAT ? FRAIL_CREATE : FRAIL_OPEN))
        return -1;
    bool is_there = faccessat(folder, name, F_OK, AT_SYMLINK_NOFOLLOW) == 0;
    int fd = disk_real.open(folder, name, flags);
    if (fd < 0 || !(flags & O_CREAT))
        return fd;
    ck_assert_int_lt(fd, DESCRIPTORS);
    frail.open[fd] = file_of_name(name);
    frail.open[fd]->is_named = true;
    frail.open[fd]->is_named_safely |= is_there;
    return fd;
}

static int frail_close(int fd)
{
    frail.open[fd] = NULL;
    return close(fd);
}

static ssize_t frail_write(int fd, const void *bytes, size_t size)
{
    struct stat st;
    bool is_short = fails(FRAIL_WRITE);
    if (is_short && errno)
        return -1;
    if (is_short)
        size = frail_dice(size);
    ck_assert_int_eq(fstat(fd, &st), 0);
    add_change(frail.open[fd], (size_t)st.st_size, bytes, size);
    return write(fd, bytes, size);
}

static ssize_t frail_pread(int fd, void *bytes, size_t size, off_t at)
{
    return fails(FRAIL_PREAD) ? -1 : pread(fd, bytes, size, at);
}

static int frail_allocate(int fd, off_t size)
{
    return fails(FRAIL_ALLOCATE) ? -1 : ftruncate(fd, size);
}

static int frail_truncate(int fd, off_t size)
{
    if (fails(FRAIL_TRUNCATE))
        return -1;
    add_change(frail.open[fd], (size_t)size, NULL, 0);
    return ftruncate(fd, size);
}

static void set_size(struct bytes *b, size_t size)
{
    b->at = realloc(b->at, size + 1);
    ck_assert_ptr_nonnull(b->at);
    if (size > b->size)
        memset(b->at + b->size, 0, size - b->size);
    b->size = size;
}

/* All of it, or blocks of it by chance; what is not written stays as it was, or is zero. */
static void apply(struct bytes *to, const struct change *c, bool is_whole)
{
    if (!c->bytes.at) {
        if (is_whole || frail_dice(2))
            set_size(to, c->offset);
        return;
    }
    size_t end = c->offset + c->bytes.size;
    if (is_whole || (to->size < end && frail_dice(2)))
        set_size(to, to->size > end ? to->size : end);
    for (size_t at = c->offset; at < end;) {
        size_t to_border = BLOCK - at % BLOCK, size = to_border < end - at ? to_border : end - at;
        if (is_whole || frail_dice(2)) {
            if (to->size < at + size)
                set_size(to, at + size);
            memcpy(to->at + at, c->bytes.at + (at - c->offset), size);
        }
        at += size;
    }
}

static int frail_sync(int fd)
{
    struct file *f = frail.open[fd];
    bool failed = fails(FRAIL_SYNC);
    if (failed && !frail_is_dark())
        for (size_t k = 0; k < f->change_count; k++)
            f->changes[k].is_lost = true;
    if (failed)
        return -1;
    for (size_t k = 0; k < f->change_count; k++)
        apply(&f->safe, &f->changes[k], !f->changes[k].is_lost);
    forget_changes(f);
    return 0;
}

static int frail_sync_folder(int fd)
{
    (void)fd;
    if (fails(FRAIL_SYNC_FOLDER))
        return -1;
    for (size_t k = 0; k < frail.count; k++)
        frail.files[k].is_named_safely = frail.files[k].is_named;
    return 0;
}

static int frail_unlink(int folder, const char *name)
{
    if (fails(FRAIL_UNLINK))
        return -1;
    if (disk_real.unlink(folder, name) != 0)
        return -1;
    file_of_name(name)->is_named = false;
    return 0;
}

static int frail_statvfs(int fd, struct statvfs *v)
{
    if (fstatvfs(fd, v) != 0)
        return -1;
    if (frail.blocks) {
        v->f_blocks = frail.blocks;
        v->f_bavail = frail.free_blocks;
        v->f_frsize = 4096;
    }
    return 0;
}

/* Changes reach the disk in any order. */
static void shuffle(struct file *f)
{
    for (size_t k = f->change_count; k > 1; k--) {
        size_t other = (size_t)frail_dice(k);
        struct change kept = f->changes[k - 1];
        f->changes[k - 1] = f->changes[other];
        f->changes[other] = kept;
    }
}

static void put_back(struct file *f)
{
    char path[sizeof frail.folder + NAME];
    snprintf(path, sizeof path, "%s/%s", frail.folder, f->name);
    if (frail_dice(2))
        shuffle(f);
    for (size_t k = 0; k < f->change_count; k++)
        if (frail_dice(3))
            apply(&f->safe, &f->changes[k], frail_dice(2));
    FILE *out = fopen(path, "wb");
    ck_assert_ptr_nonnull(out);
    ck_assert(!f->safe.size || fwrite(f->safe.at, f->safe.size, 1, out) == 1);
    fclose(out);
}

/* A removed file that came back, where a newer one has its name. */
static size_t without_name(struct file *files, size_t count, const char *name)
{
    for (size_t k = 0; k < count; k++)
        if (strcmp(files[k].name, name) == 0) {
            free(files[k].safe.at);
            files[k] = files[--count];
        }
    return count;
}

void frail_restart(void)
{
    struct file *files = calloc(FILES, sizeof *files);
    size_t count = 0;
    ck_assert_ptr_nonnull(files);
    for (size_t k = 0; k < frail.count; k++) {
        struct file *f = &frail.files[k];
        char path[sizeof frail.folder + NAME];
        snprintf(path, sizeof path, "%s/%s", frail.folder, f->name);
        bool stays = f->is_named_safely == f->is_named ? f->is_named : frail_dice(2);
        unlink(path);
        if (stays)
            put_back(f);
        forget_changes(f);
        if (stays) {
            f->is_named = f->is_named_safely = true;
            count = without_name(files, count, f->name);
            files[count++] = *f;
        } else {
            free(f->safe.at);
        }
    }
    memcpy(frail.files, files, sizeof frail.files);
    free(files);
    frail.count = count;
    frail.cut_at = 0;
}

const struct disk frail_disk = {
    .open = frail_open,
    .close = frail_close,
    .write = frail_write,
    .pread = frail_pread,
    .allocate = frail_allocate,
    .truncate = frail_truncate,
    .sync = frail_sync,
    .sync_folder = frail_sync_folder,
    .unlink = frail_unlink,
    .statvfs = frail_statvfs,
};
