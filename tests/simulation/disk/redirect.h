/* Forced before the daemon's journal sources when they are compiled for the simulated disk: what
 * they call of the C library leads to disk_call.c, disk_thread.c and disk_heap.c. The headers come
 * first, so that only calls are renamed. */
#ifndef DOSEWRIGHT_TESTS_DISK_REDIRECT_H
#define DOSEWRIGHT_TESTS_DISK_REDIRECT_H

#define _GNU_SOURCE /* as those of them that need it say too late here */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

int disk_open(const char *path, int flags, ...);
int disk_openat(int dir, const char *name, int flags, ...);
int disk_close(int fd);
ssize_t disk_read(int fd, void *ret, size_t count);
ssize_t disk_pread(int fd, void *ret, size_t count, off_t at);
ssize_t disk_write(int fd, const void *bytes, size_t count);
ssize_t disk_pwrite(int fd, const void *bytes, size_t count, off_t at);
int disk_ftruncate(int fd, off_t size);
int disk_posix_fallocate(int fd, off_t at, off_t count);
int disk_fsync(int fd);
int disk_unlinkat(int dir, const char *name, int flags);
int disk_mkdir(const char *path, mode_t mode);
int disk_fstat(int fd, struct stat *ret);
int disk_flock(int fd, int how);
DIR *disk_fdopendir(int fd);
struct dirent *disk_readdir(DIR *dir);
int disk_closedir(DIR *dir);
int disk_eventfd(unsigned count, int flags);
pid_t disk_getpid(void);

int disk_thread_create(
    pthread_t *ret, const pthread_attr_t *how, void *(*run)(void *), void *context);
int disk_thread_join(pthread_t thread, void **ret);
int disk_mutex_init(pthread_mutex_t *lock, const pthread_mutexattr_t *how);
int disk_mutex_lock(pthread_mutex_t *lock);
int disk_mutex_unlock(pthread_mutex_t *lock);
int disk_mutex_destroy(pthread_mutex_t *lock);
int disk_cond_init(pthread_cond_t *cond, const pthread_condattr_t *how);
int disk_cond_wait(pthread_cond_t *cond, pthread_mutex_t *lock);
int disk_cond_signal(pthread_cond_t *cond);
int disk_cond_broadcast(pthread_cond_t *cond);
int disk_cond_destroy(pthread_cond_t *cond);

void *disk_malloc(size_t size);
void *disk_calloc(size_t count, size_t size);
void *disk_realloc(void *old, size_t size);
char *disk_strdup(const char *text);
void disk_release(void *block);

#ifndef DISK_OWN /* the disk's own files */
#define open disk_open
#define openat disk_openat
#define close disk_close
#define read disk_read
#define pread disk_pread
#define write disk_write
#define pwrite disk_pwrite
#define ftruncate disk_ftruncate
#define posix_fallocate disk_posix_fallocate
#define fsync disk_fsync
#define fdatasync disk_fsync
#define unlinkat disk_unlinkat
#define mkdir disk_mkdir
#define fstat disk_fstat
#define flock disk_flock
#define fdopendir disk_fdopendir
#define readdir disk_readdir
#define closedir disk_closedir
#define eventfd disk_eventfd
#define getpid disk_getpid
#define pthread_create disk_thread_create
#define pthread_join disk_thread_join
#define pthread_mutex_init disk_mutex_init
#define pthread_mutex_lock disk_mutex_lock
#define pthread_mutex_unlock disk_mutex_unlock
#define pthread_mutex_destroy disk_mutex_destroy
#define pthread_cond_init disk_cond_init
#define pthread_cond_wait disk_cond_wait
#define pthread_cond_signal disk_cond_signal
#define pthread_cond_broadcast disk_cond_broadcast
#define pthread_cond_destroy disk_cond_destroy
#define malloc disk_malloc
#define calloc disk_calloc
#define realloc disk_realloc
#undef strdup
#define strdup disk_strdup
#define free disk_release
#endif

#endif
