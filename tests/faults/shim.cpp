// Preloaded before the program by the fault tests: makes the n-th call of a kind fail, as a full or
// failing disk or an exhausted memory would. Never part of Rebite.
//
//   REBITE_FAULT=KIND:N:WHAT   KIND open read write fsync rename close mkdir unlink truncate alloc
//                              N    which call fails, from 1; N+ : that one and all later ones;
//                                   N-M : those from N to M
//                              WHAT an errno as a number; kill: SIGKILL before the call;
//                                   stop: SIGINT (Ctrl-C) before the call, which then goes on;
//                                   crash: SIGSEGV before the call;
//                                   short: write takes only half of the bytes
//   REBITE_FAULT_UNDER=FOLDER  files elsewhere (libraries, /proc) are left alone
//   REBITE_FAULT_COUNT=FILE    how many calls of each kind there were, written at the end
//   REBITE_FAULT_SPARE=A,B     allocations by the libraries of these names are left alone (and uncounted)
//
// Calls are counted from the start of main, so that the loader is left alone.
#include <dlfcn.h>
#include <fcntl.h>
#include <link.h>
#include <signal.h>
#include <stdarg.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <climits>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>

extern "C" {
void* __libc_malloc(size_t);
void* __libc_calloc(size_t, size_t);
void* __libc_realloc(void*, size_t);
void* __libc_memalign(size_t, size_t);
}

namespace {

enum Kind {
  open_call,
  read_call,
  write_call,
  fsync_call,
  rename_call,
  close_call,
  mkdir_call,
  unlink_call,
  truncate_call,
  alloc_call,
  kinds
};
constexpr const char* names[kinds] = {
    "open", "read", "write", "fsync", "rename", "close", "mkdir", "unlink", "truncate", "alloc"};
constexpr int killed = -1, shortened = -2, interrupted = -3, crashed = -4;

std::atomic<bool> armed{false};
std::atomic<long> counts[kinds];
int fault_kind = -1;
long fault_first = 0, fault_last = 0;
int fault_what = 0;
const char* under = nullptr;
std::atomic<bool> watched[4096];  // descriptors of files in the folder
struct Code {
  std::uintptr_t from = 0, to = 0;
};
Code spared[8];  // where the spared libraries stand in memory
int spared_count = 0;

void read_settings() {
  under = std::getenv("REBITE_FAULT_UNDER");
  const char* text = std::getenv("REBITE_FAULT");
  if (!text) return;
  for (int k = 0; k < kinds; ++k) {
    const size_t n = std::strlen(names[k]);
    if (std::strncmp(text, names[k], n) != 0 || text[n] != ':') continue;
    fault_kind = k;
    char* rest = nullptr;
    fault_first = fault_last = std::strtol(text + n + 1, &rest, 10);
    if (*rest == '-') fault_last = std::strtol(rest + 1, &rest, 10);
    if (*rest == '+') fault_last = LONG_MAX;
    while (*rest == '+' || *rest == ':') ++rest;
    fault_what = !std::strcmp(rest, "kill")    ? killed
                 : !std::strcmp(rest, "stop")  ? interrupted
                 : !std::strcmp(rest, "crash") ? crashed
                 : !std::strcmp(rest, "short") ? shortened
                                               : static_cast<int>(std::strtol(rest, nullptr, 10));
  }
}

// Call-back of dl_iterate_phdr.
int spare_if_named(dl_phdr_info* library, size_t, void* names) {
  const char* file = std::strrchr(library->dlpi_name, '/');
  if (!file) return 0;
  const size_t length = std::strcspn(++file, ".");
  for (const char* name = static_cast<const char*>(names); *name != '\0';) {
    const size_t n = std::strcspn(name, ",");
    if (n == length && std::strncmp(file, name, n) == 0 && spared_count < 8) {
      Code& code = spared[spared_count++];
      code.from = library->dlpi_addr;
      for (int i = 0; i < library->dlpi_phnum; ++i) {
        const auto& part = library->dlpi_phdr[i];
        if (part.p_type == PT_LOAD) code.to = library->dlpi_addr + part.p_vaddr + part.p_memsz;
      }
    }
    name += name[n] == ',' ? n + 1 : n;
  }
  return 0;
}

bool felt_by(const void* caller) {
  const auto at = reinterpret_cast<std::uintptr_t>(caller);
  for (int i = 0; i < spared_count; ++i)
    if (at >= spared[i].from && at < spared[i].to) return false;
  return true;
}

bool ours(const char* path) {
  return path && (!under || std::strncmp(path, under, std::strlen(under)) == 0);
}
bool ours(int fd) { return fd >= 0 && fd < 4096 && watched[fd]; }

// 0: go on; else the errno to fail with, or `shortened`.
int fault(Kind kind, bool counted) {
  if (!armed || !counted) return 0;
  const long n = ++counts[kind];
  if (kind != fault_kind || n < fault_first || n > fault_last) return 0;
  if (fault_what == killed) ::kill(::getpid(), SIGKILL);
  if (fault_what == crashed) ::raise(SIGSEGV);
  if (fault_what == interrupted) {
    ::kill(::getpid(), SIGINT);
    ::usleep(50'000);  // until the program has heard it
    return 0;
  }
  return fault_what;
}

template <class F>
F* real(const char* name) {
  return reinterpret_cast<F*>(dlsym(RTLD_NEXT, name));
}

int keep(int fd, bool mine) {
  if (fd >= 0 && fd < 4096) watched[fd] = mine;
  return fd;
}

int failed(int error) {
  errno = error;
  return -1;
}

void write_counts() {
  const char* file = std::getenv("REBITE_FAULT_COUNT");
  if (!file || !armed.exchange(false)) return;
  if (std::FILE* out = std::fopen(file, "w")) {
    for (int k = 0; k < kinds; ++k) std::fprintf(out, "%s %ld\n", names[k], counts[k].load());
    std::fclose(out);
  }
}

using Main = int (*)(int, char**, char**);
Main program_main = nullptr;

int main_armed(int argc, char** argv, char** environment) {
  if (char* names = std::getenv("REBITE_FAULT_SPARE")) dl_iterate_phdr(spare_if_named, names);
  armed = true;
  const int code = program_main(argc, argv, environment);
  write_counts();
  return code;
}

}  // namespace

extern "C" {

int __libc_start_main(Main main,
                      int argc,
                      char** argv,
                      void (*init)(),
                      void (*fini)(),
                      void (*rtld_fini)(),
                      void* end) {
  read_settings();
  program_main = main;
  return real<int(Main, int, char**, void (*)(), void (*)(), void (*)(), void*)>(
      "__libc_start_main")(main_armed, argc, argv, init, fini, rtld_fini, end);
}

#define OPENING(NAME)                                                              \
  int NAME(const char* path, int flags, ...) {                                     \
    va_list more;                                                                  \
    va_start(more, flags);                                                         \
    const mode_t mode = va_arg(more, mode_t);                                      \
    va_end(more);                                                                  \
    const bool mine = ours(path);                                                  \
    if (const int error = fault(open_call, mine)) return failed(error);            \
    return keep(real<int(const char*, int, ...)>(#NAME)(path, flags, mode), mine); \
  }
OPENING(open)
OPENING(open64)

int openat(int at, const char* path, int flags, ...) {
  va_list more;
  va_start(more, flags);
  const mode_t mode = va_arg(more, mode_t);
  va_end(more);
  const bool mine = ours(path);
  if (const int error = fault(open_call, mine)) return failed(error);
  return keep(real<int(int, const char*, int, ...)>("openat")(at, path, flags, mode), mine);
}

std::FILE* fopen(const char* path, const char* mode) {
  if (const int error = fault(open_call, ours(path))) {
    errno = error;
    return nullptr;
  }
  return real<std::FILE*(const char*, const char*)>("fopen")(path, mode);
}

ssize_t read(int fd, void* to, size_t n) {
  if (const int error = fault(read_call, ours(fd))) return failed(error);
  return real<ssize_t(int, void*, size_t)>("read")(fd, to, n);
}

#define READING(NAME, OFFSET)                                               \
  ssize_t NAME(int fd, void* to, size_t n, OFFSET at) {                     \
    if (const int error = fault(read_call, ours(fd))) return failed(error); \
    return real<ssize_t(int, void*, size_t, OFFSET)>(#NAME)(fd, to, n, at); \
  }
READING(pread, off_t)
READING(pread64, off64_t)

ssize_t write(int fd, const void* from, size_t n) {
  const int error = fault(write_call, ours(fd));
  if (error == shortened) n = (n + 1) / 2;
  if (error > 0) return failed(error);
  return real<ssize_t(int, const void*, size_t)>("write")(fd, from, n);
}

#define WRITING(NAME, OFFSET)                                                       \
  ssize_t NAME(int fd, const void* from, size_t n, OFFSET at) {                     \
    const int error = fault(write_call, ours(fd));                                  \
    if (error == shortened) n = (n + 1) / 2;                                        \
    if (error > 0) return failed(error);                                            \
    return real<ssize_t(int, const void*, size_t, OFFSET)>(#NAME)(fd, from, n, at); \
  }
WRITING(pwrite, off_t)
WRITING(pwrite64, off64_t)

int fsync(int fd) {
  if (const int error = fault(fsync_call, ours(fd))) return failed(error);
  return real<int(int)>("fsync")(fd);
}

int fdatasync(int fd) {
  if (const int error = fault(fsync_call, ours(fd))) return failed(error);
  return real<int(int)>("fdatasync")(fd);
}

int close(int fd) {
  const bool mine = ours(fd);
  keep(fd, false);
  const int error = fault(close_call, mine);
  const int done = real<int(int)>("close")(fd);
  return error ? failed(error) : done;
}

int rename(const char* from, const char* to) {
  if (const int error = fault(rename_call, ours(to))) return failed(error);
  return real<int(const char*, const char*)>("rename")(from, to);
}

int renameat2(int at, const char* from, int to_at, const char* to, unsigned flags) {
  if (const int error = fault(rename_call, ours(to))) return failed(error);
  return real<int(int, const char*, int, const char*, unsigned)>("renameat2")(
      at, from, to_at, to, flags);
}

int mkdir(const char* path, mode_t mode) {
  if (const int error = fault(mkdir_call, ours(path))) return failed(error);
  return real<int(const char*, mode_t)>("mkdir")(path, mode);
}

int unlink(const char* path) {
  if (const int error = fault(unlink_call, ours(path))) return failed(error);
  return real<int(const char*)>("unlink")(path);
}

#define TRUNCATING(NAME, OFFSET)                                                \
  int NAME(int fd, OFFSET length) {                                             \
    if (const int error = fault(truncate_call, ours(fd))) return failed(error); \
    return real<int(int, OFFSET)>(#NAME)(fd, length);                           \
  }
TRUNCATING(ftruncate, off_t)
TRUNCATING(ftruncate64, off64_t)

void* malloc(size_t n) {
  if (fault(alloc_call, felt_by(__builtin_return_address(0)))) return errno = ENOMEM, nullptr;
  return __libc_malloc(n);
}

void* calloc(size_t n, size_t size) {
  if (fault(alloc_call, felt_by(__builtin_return_address(0)))) return errno = ENOMEM, nullptr;
  return __libc_calloc(n, size);
}

void* realloc(void* old, size_t n) {
  if (fault(alloc_call, n > 0 && felt_by(__builtin_return_address(0)))) return errno = ENOMEM, nullptr;
  return __libc_realloc(old, n);
}

int posix_memalign(void** to, size_t align, size_t n) {
  if (fault(alloc_call, felt_by(__builtin_return_address(0)))) return ENOMEM;
  *to = __libc_memalign(align, n);
  return *to ? 0 : ENOMEM;
}

void* aligned_alloc(size_t align, size_t n) {
  if (fault(alloc_call, felt_by(__builtin_return_address(0)))) return errno = ENOMEM, nullptr;
  return __libc_memalign(align, n);
}

}  // extern "C"
