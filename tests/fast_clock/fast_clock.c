/* A clock that runs faster than the world's, for whole process trees.
 *
 * As a preload library (-shared -fPIC): the wall clock, the monotonic one and that of the machine's uptime are read
 * from a shared page, and every wait with a time limit lasts until that page says so.  Each process writes its number
 * into the page when it starts.  As a program (-DPACEMAKER): moves the page's time on, `speed` times as fast as the
 * world's, but only while no thread of those processes is running or waits for the disk, and never past the end of
 * a wait that somebody has not noticed yet: what a slow or crowded machine needs for its work takes no time on the
 * page, so that no time limit is passed for want of a processor.
 *
 * FAST_CLOCK names the page; FAST_CLOCK_BOOT_ID, where set, a file that is read in place of the kernel's boot id.
 */
#define _GNU_SOURCE
#include <stdatomic.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>
#include <dirent.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/syscall.h>

#define MOST_PROCESSES 500
#define MOST_WAITS 2000
#define NS 1000000000LL

struct wait {
    _Atomic int32_t pid; /* 0: free */
    _Atomic int64_t until_ns;
};

struct page {
    _Atomic int64_t mono_ns;   /* both other clocks are this one and an offset */
    _Atomic int64_t wall_offset_ns;
    _Atomic int64_t milli_speed; /* thousandths; 0: time stands still */
    _Atomic int64_t held_up_ns;  /* of the world's time: how long the page's stood still for work in hand */
    _Atomic int32_t pids[MOST_PROCESSES];
    struct wait waits[MOST_WAITS];
};

static struct page *mapped(const char *path) {
    int fd = (int)syscall(SYS_openat, AT_FDCWD, path, O_RDWR | O_CLOEXEC);
    if (fd < 0) return NULL;
    void *at = mmap(NULL, sizeof(struct page), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    return at == MAP_FAILED ? NULL : at;
}

static int64_t true_ns(void) {
    struct timespec now;
    syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now);
    return now.tv_sec * NS + now.tv_nsec;
}

static struct timespec spec_of(int64_t ns) {
    struct timespec spec = {ns / NS, ns % NS};
    if (spec.tv_nsec < 0) { spec.tv_sec--; spec.tv_nsec += NS; }
    return spec;
}

#ifndef PACEMAKER
#include <dlfcn.h>
#include <poll.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdarg.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sys/epoll.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <sys/time.h>

#define LONGEST_ns (10 * 1000000LL)  /* of the world's time: so long a waiter sleeps without looking at the page */
#define SHORTEST_ns 100000LL
#define UNSCALED_ns (20 * 1000000LL) /* a wait on a condition as short as the interpreter's own turns */
#define WALL_FROM (1000000000LL * NS) /* a deadline from 2001 on is the wall clock's */

static struct page *page;

/* Also just before another program is begun, and in a fork: until its own constructor runs, a crowded machine may
 * take long, and meanwhile the page's time must stand still as well. */
static void enroll(void) {
    int32_t me = (int32_t)getpid();
    if (page == NULL) return;
    for (int k = 0; k < MOST_PROCESSES; k++)
        if (atomic_load(&page->pids[k]) == me) return;
    for (int k = 0; k < MOST_PROCESSES; k++) {
        int32_t none = 0;
        if (atomic_compare_exchange_strong(&page->pids[k], &none, me)) return;
    }
    fprintf(stderr, "fast_clock: too many processes\n");
    abort();
}

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("FAST_CLOCK");
    if (path == NULL || (page = mapped(path)) == NULL) return;
    enroll();
    pthread_atfork(NULL, NULL, enroll);
}

#define REAL(name) ((__typeof__(&name))real(#name))
static void *real(const char *name) {
    void *found = dlsym(RTLD_NEXT, name);
    if (found == NULL) abort();
    return found;
}
/* looked up once each: a race of two threads writes the same value twice */
#define ORIGINAL(name) static __typeof__(&name) original; if (original == NULL) original = REAL(name)

static int64_t mono_ns(void) { return atomic_load(&page->mono_ns); }
static int64_t wall_ns(void) { return mono_ns() + atomic_load(&page->wall_offset_ns); }

/* A wait under way: the page's time stays at its end until the waiter has noticed. */
static struct wait *waiting(int64_t until_ns) {
    int32_t me = (int32_t)getpid();
    unsigned first = (unsigned)syscall(SYS_gettid);
    for (unsigned k = 0; k < MOST_WAITS; k++) {
        struct wait *wait = &page->waits[(first + k) % MOST_WAITS];
        int32_t none = 0;
        if (atomic_load(&wait->pid) != 0 || !atomic_compare_exchange_strong(&wait->pid, &none, -me)) continue;
        atomic_store(&wait->until_ns, until_ns);
        atomic_store(&wait->pid, me);
        return wait;
    }
    fprintf(stderr, "fast_clock: too many waits\n");
    abort();
}

static void over(struct wait *wait) { atomic_store(&wait->pid, 0); }

/* how long of the world's time to sleep now for a page's time that is `left` ahead */
static int64_t share(int64_t left) {
    int64_t speed = atomic_load(&page->milli_speed);
    int64_t ns = speed > 0 ? (int64_t)((__int128)left * 1000 / speed) : LONGEST_ns;
    return (ns > LONGEST_ns ? LONGEST_ns : ns < 0 ? 0 : ns) + SHORTEST_ns;
}

static int is_wall(clockid_t id) { return id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE || id == CLOCK_TAI; }
static int is_mono(clockid_t id) {
    return id == CLOCK_MONOTONIC || id == CLOCK_MONOTONIC_RAW || id == CLOCK_MONOTONIC_COARSE || id == CLOCK_BOOTTIME;
}

int clock_gettime(clockid_t id, struct timespec *out) {
    if (page != NULL && (is_wall(id) || is_mono(id))) {
        *out = spec_of(is_wall(id) ? wall_ns() : mono_ns());
        return 0;
    }
    return (int)syscall(SYS_clock_gettime, id, out);
}

int gettimeofday(struct timeval *restrict out, void *restrict zone) {
    (void)zone;
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out != NULL) *out = now.tv_sec;
    return now.tv_sec;
}

static int sleep_until(int64_t until_ns) { /* 0, or the error */
    struct wait *mine = waiting(until_ns);
    int error = 0;
    for (int64_t left; error == 0 && (left = until_ns - mono_ns()) > 0;) {
        struct timespec nap = spec_of(share(left));
        if (syscall(SYS_clock_nanosleep, CLOCK_MONOTONIC, 0, &nap, NULL) != 0) error = errno;
    }
    over(mine);
    return error;
}

int clock_nanosleep(clockid_t id, int flags, const struct timespec *ask, struct timespec *rest) {
    if (page == NULL) {
        return syscall(SYS_clock_nanosleep, id, flags, ask, rest) == 0 ? 0 : errno;
    }
    int64_t ns = ask->tv_sec * NS + ask->tv_nsec;
    if (!(flags & TIMER_ABSTIME)) ns += mono_ns();
    else if (is_wall(id)) ns -= atomic_load(&page->wall_offset_ns);
    int error = sleep_until(ns);
    if (error != 0 && rest != NULL) *rest = spec_of(ns > mono_ns() ? ns - mono_ns() : 0);
    return error;
}

int nanosleep(const struct timespec *ask, struct timespec *rest) {
    int error = clock_nanosleep(CLOCK_MONOTONIC, 0, ask, rest);
    if (error != 0) { errno = error; return -1; }
    return 0;
}

int usleep(useconds_t us) {
    struct timespec ask = spec_of(us * 1000LL);
    return nanosleep(&ask, NULL);
}

unsigned int sleep(unsigned int seconds) {
    struct timespec ask = {seconds, 0}, rest = {0, 0};
    return nanosleep(&ask, &rest) == 0 ? 0 : (unsigned int)rest.tv_sec;
}

/* Waits in shares until `until_ns`: `wait` is called with a share and answers what the real call would. */
#define IN_SHARES(until, call, came)                                                                                 \
    for (struct wait *mine = waiting(until);;) {                                                                     \
        int64_t left = (until) - mono_ns();                                                                          \
        struct timespec nap = spec_of(left > 0 ? share(left) : 0);                                                   \
        int answer = (call), error = errno;                                                                          \
        if ((came) || left <= 0) {                                                                                   \
            over(mine);                                                                                              \
            errno = error;                                                                                           \
            return answer;                                                                                           \
        }                                                                                                            \
    }

int ppoll(struct pollfd *fds, nfds_t count, const struct timespec *limit, const sigset_t *mask) {
    ORIGINAL(ppoll);
    if (page == NULL || limit == NULL) return original(fds, count, limit, mask);
    int64_t until = mono_ns() + limit->tv_sec * NS + limit->tv_nsec;
    IN_SHARES(until, original(fds, count, &nap, mask), answer != 0)
}

int poll(struct pollfd *fds, nfds_t count, int limit_ms) {
    struct timespec limit = spec_of(limit_ms * 1000000LL);
    return ppoll(fds, count, limit_ms < 0 ? NULL : &limit, NULL);
}

int __poll_chk(struct pollfd *fds, nfds_t count, int limit_ms, size_t size) {
    (void)size;
    return poll(fds, count, limit_ms);
}

int pselect(int count, fd_set *r, fd_set *w, fd_set *e, const struct timespec *limit, const sigset_t *mask) {
    ORIGINAL(pselect);
    if (page == NULL || limit == NULL) return original(count, r, w, e, limit, mask);
    int64_t until = mono_ns() + limit->tv_sec * NS + limit->tv_nsec;
    fd_set none, r0, w0, e0;
    FD_ZERO(&none);
    r0 = r ? *r : none; w0 = w ? *w : none; e0 = e ? *e : none;
    IN_SHARES(until, (r ? (void)(*r = r0) : (void)0, w ? (void)(*w = w0) : (void)0, e ? (void)(*e = e0) : (void)0,
                      original(count, r, w, e, &nap, mask)), answer != 0)
}

int select(int count, fd_set *r, fd_set *w, fd_set *e, struct timeval *limit) {
    struct timespec spec;
    if (limit != NULL) spec = spec_of(limit->tv_sec * NS + limit->tv_usec * 1000LL);
    return pselect(count, r, w, e, limit == NULL ? NULL : &spec, NULL);
}

int epoll_pwait(int fd, struct epoll_event *events, int most, int limit_ms, const sigset_t *mask) {
    ORIGINAL(epoll_pwait);
    if (page == NULL || limit_ms <= 0) return original(fd, events, most, limit_ms, mask);
    int64_t until = mono_ns() + limit_ms * 1000000LL;
    IN_SHARES(until, original(fd, events, most, (int)(nap.tv_nsec / 1000000 + (left > 0)), mask), answer != 0)
}

int epoll_wait(int fd, struct epoll_event *events, int most, int limit_ms) {
    return epoll_pwait(fd, events, most, limit_ms, NULL);
}

static int64_t on_page(const struct timespec *deadline) { /* a deadline of either clock, on the monotonic one */
    int64_t ns = deadline->tv_sec * NS + deadline->tv_nsec;
    return ns >= WALL_FROM ? ns - atomic_load(&page->wall_offset_ns) : ns;
}

static struct timespec from_now(struct timespec nap) { return spec_of(true_ns() + nap.tv_sec * NS + nap.tv_nsec); }

int sem_clockwait(sem_t *sem, clockid_t id, const struct timespec *deadline) {
    ORIGINAL(sem_clockwait);
    if (page == NULL) return original(sem, id, deadline);
    int64_t until = on_page(deadline);
    IN_SHARES(until, (nap = from_now(nap), original(sem, CLOCK_MONOTONIC, &nap)), answer == 0 || errno != ETIMEDOUT)
}

int sem_timedwait(sem_t *sem, const struct timespec *deadline) {
    ORIGINAL(sem_timedwait);
    if (page == NULL) return original(sem, deadline);
    return sem_clockwait(sem, CLOCK_REALTIME, deadline);
}

int pthread_cond_clockwait(pthread_cond_t *cond, pthread_mutex_t *mutex, clockid_t id, const struct timespec *deadline) {
    ORIGINAL(pthread_cond_clockwait);
    if (page == NULL) return original(cond, mutex, id, deadline);
    int64_t until = on_page(deadline), ahead = until - mono_ns();
    if (ahead <= UNSCALED_ns) {
        struct timespec soon = from_now(spec_of(ahead > 0 ? ahead : 0));
        return original(cond, mutex, CLOCK_MONOTONIC, &soon);
    }
    IN_SHARES(until, (nap = from_now(nap), original(cond, mutex, CLOCK_MONOTONIC, &nap)), answer != ETIMEDOUT)
}

int pthread_cond_timedwait(pthread_cond_t *restrict cond, pthread_mutex_t *restrict mutex,
                           const struct timespec *restrict deadline) {
    if (page == NULL) {
        ORIGINAL(pthread_cond_timedwait);
        return original(cond, mutex, deadline);
    }
    return pthread_cond_clockwait(cond, mutex, CLOCK_MONOTONIC, deadline);
}

int execve(const char *path, char *const words[], char *const environment[]) {
    ORIGINAL(execve);
    enroll();
    return original(path, words, environment);
}

int execv(const char *path, char *const words[]) {
    ORIGINAL(execv);
    enroll();
    return original(path, words);
}

/* Nagle's wait for an acknowledgement that is itself delayed is the world's 40 ms: seconds of the page's time. */
int socket(int domain, int type, int protocol) {
    ORIGINAL(socket);
    int fd = original(domain, type, protocol), error = errno, yes = 1;
    if (page != NULL && fd >= 0 && domain == AF_INET && (type & 0xf) == SOCK_STREAM)
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    errno = error;
    return fd;
}

/* another start of the computer, as far as a program can see */
static const char *renamed(const char *path) {
    if (page != NULL && strcmp(path, "/proc/sys/kernel/random/boot_id") == 0) {
        const char *other = getenv("FAST_CLOCK_BOOT_ID");
        if (other != NULL) return other;
    }
    return path;
}

static mode_t mode_of(int flags, va_list more) {
    return (flags & O_CREAT) || (flags & O_TMPFILE) == O_TMPFILE ? va_arg(more, mode_t) : 0;
}

#define OPENS(name)                                                                                                  \
    int name(const char *path, int flags, ...) {                                                                     \
        va_list more;                                                                                                \
        va_start(more, flags);                                                                                       \
        mode_t mode = mode_of(flags, more);                                                                          \
        va_end(more);                                                                                                \
        ORIGINAL(name);                                                                                              \
        return original(renamed(path), flags, mode);                                                                 \
    }
OPENS(open)
OPENS(open64)

#else /* the program: fast_clock PAGE */

#define LEAST_PAUSE_ns (200 * 1000LL) /* of the world's time, between two looks */
#define HELD_UP_ns (200 * 1000LL)
#define MOST_PAUSE_ns (5 * 1000000LL)
#define PAST_ns (1 * 1000000LL) /* so far past the end of a wait the page's time goes */

/* A process's threads, each with its open file of figures: to open them anew takes longer than all else here. */
#define MOST_THREADS 200
struct looked_at {
    int32_t pid;
    int folder, count;
    nlink_t links; /* of the folder, by which a thread that came or went is noticed */
    int files[MOST_THREADS];
};
static struct looked_at looked[MOST_PROCESSES];

static void let_go(struct looked_at *at) {
    for (int k = 0; k < at->count; k++) close(at->files[k]);
    if (at->pid != 0) close(at->folder);
    at->pid = at->count = 0;
}

static int take_up(struct looked_at *at, int32_t pid) { /* 0, or -1: there is no such process */
    char path[64];
    struct stat about;
    let_go(at);
    snprintf(path, sizeof path, "/proc/%d/task", pid);
    int folder = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder < 0) return -1;
    at->pid = pid, at->folder = folder;
    if (fstat(folder, &about) < 0) { let_go(at); return -1; }
    at->links = about.st_nlink;
    DIR *tasks = fdopendir(dup(folder));
    if (tasks == NULL) { let_go(at); return -1; }
    for (struct dirent *one; at->count < MOST_THREADS && (one = readdir(tasks)) != NULL;) {
        if (one->d_name[0] == '.') continue;
        snprintf(path, sizeof path, "%.20s/stat", one->d_name);
        int file = openat(folder, path, O_RDONLY | O_CLOEXEC);
        if (file >= 0) at->files[at->count++] = file;
        else if (errno == EMFILE || errno == ENFILE) { perror("fast_clock"); exit(3); } /* a thread unseen may work */
    }
    closedir(tasks);
    return 0;
}

/* 1: a thread runs, or waits for the disk; 0: all wait, or were stopped; -1: there is no such process; -2: its
 * threads are other ones by now */
static int busy_now(struct looked_at *at, int *stopped) {
    char text[256];
    struct stat about;
    *stopped = 0;
    if (fstat(at->folder, &about) < 0) return -1;
    if (about.st_nlink != at->links) return -2;
    for (int k = 0; k < at->count; k++) {
        ssize_t size = pread(at->files[k], text, sizeof text - 1, 0);
        if (size <= 0) return -2;
        text[size] = 0;
        char *name_ends = strrchr(text, ')');
        char state = name_ends == NULL ? 0 : name_ends[2];
        if (state == 'R' || state == 'D') return 1;
        *stopped |= state == 'T' || state == 'Z';
    }
    return 0;
}

static int busy(int32_t pid, int *stopped) {
    struct looked_at *free = NULL, *at = NULL;
    for (int k = 0; k < MOST_PROCESSES && at == NULL; k++) {
        if (looked[k].pid == pid) at = &looked[k];
        else if (looked[k].pid == 0 && free == NULL) free = &looked[k];
    }
    *stopped = 0;
    if (at == NULL && ((at = free) == NULL || take_up(at, pid) < 0)) return -1;
    int found = busy_now(at, stopped);
    for (int again = 0; found == -2 && again < 10; again++) found = take_up(at, pid) < 0 ? -1 : busy_now(at, stopped);
    if (found == -1) let_go(at);
    return found == -2 ? 1 : found;
}

static int work_in_hand(struct page *page) {
    int stopped;
    for (int k = 0; k < MOST_PROCESSES; k++) {
        int32_t pid = atomic_load(&page->pids[k]);
        if (pid == 0) continue;
        int state = busy(pid, &stopped);
        if (state > 0) return 1;
        if (state < 0) atomic_store(&page->pids[k], 0);
    }
    return 0;
}

/* of a process that was stopped, has ended or was forked into another nobody will notice */
static int nobody_notices(struct wait *wait, int32_t pid) {
    int stopped = 0, state = busy(pid, &stopped);
    if (state < 0) atomic_store(&wait->pid, 0);
    return state < 0 || stopped;
}

/* The first end of a wait that somebody will notice, or `wanted` where that comes before.  Only the waits that come
 * first are asked for their process: to look at all of them takes longer than they last. */
static int64_t limit_ns(struct page *page, int64_t wanted) {
    int64_t passed_over = INT64_MIN; /* nobody notices those up to this end, and this place in the page */
    int passed_place = -1;
    for (;;) {
        struct wait *first = NULL;
        int32_t its_pid = 0;
        int place = -1;
        int64_t until = wanted;
        for (int k = 0; k < MOST_WAITS; k++) {
            struct wait *wait = &page->waits[k];
            int32_t pid = atomic_load(&wait->pid);
            if (pid <= 0) continue;
            int64_t ends = atomic_load(&wait->until_ns) + PAST_ns;
            int ahead = ends > passed_over || (ends == passed_over && k > passed_place);
            if (ahead && ends < until) first = wait, its_pid = pid, until = ends, place = k;
        }
        if (first == NULL || !nobody_notices(first, its_pid)) return until;
        passed_over = until, passed_place = place;
    }
}

int main(int count, char **words) {
    prctl(PR_SET_PDEATHSIG, 9);
    struct page *page = count == 2 ? mapped(words[1]) : NULL;
    if (page == NULL) { fprintf(stderr, "usage: fast_clock PAGE\n"); return 2; }
    int64_t pause = LEAST_PAUSE_ns;
    for (int64_t before = true_ns();;) {
        struct timespec nap = spec_of(pause);
        nanosleep(&nap, NULL);
        int64_t now = true_ns(), passed = now - before;
        before = now;
        if (work_in_hand(page)) {
            atomic_fetch_add(&page->held_up_ns, passed);
            pause = HELD_UP_ns;
            continue;
        }
        int64_t mono = atomic_load(&page->mono_ns), speed = atomic_load(&page->milli_speed);
        int64_t limit = limit_ns(page, mono + (int64_t)((__int128)passed * speed / 1000));
        if (limit > mono) atomic_fetch_add(&page->mono_ns, limit - mono);
        /* nothing happens before the next end of a wait: no need to look earlier */
        int64_t ahead = limit_ns(page, INT64_MAX / 2) - (limit > mono ? limit : mono);
        pause = speed <= 0 || ahead / speed > MOST_PAUSE_ns / 1000 ? MOST_PAUSE_ns : ahead * 1000 / speed;
        if (pause < LEAST_PAUSE_ns) pause = LEAST_PAUSE_ns;
    }
}
#endif
