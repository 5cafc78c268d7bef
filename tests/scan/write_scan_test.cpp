// Pictures out where memory runs out.
#include "scan/write_scan.h"

#include <gtest/gtest.h>
#include <sys/resource.h>
#include <unistd.h>

#include <fstream>
#include <new>

namespace rebite::scan {
namespace {

std::size_t address_space() {
  std::size_t pages = 0;
  std::ifstream("/proc/self/statm") >> pages;
  return pages * static_cast<std::size_t>(::sysconf(_SC_PAGESIZE));
}

// In a process of its own: 5 where `write` throws std::bad_alloc with `room` bytes more.
template <class Write>
[[noreturn]] void write_in(std::size_t room, Write write) {
  const rlimit limit{address_space() + room, RLIM_INFINITY};
  if (::setrlimit(RLIMIT_AS, &limit) != 0) ::_exit(1);
  try {
    write();
  } catch (const std::bad_alloc&) {
    ::_exit(5);
  } catch (...) {
    ::_exit(6);
  }
  ::_exit(0);
}

// Nothing of it can be packed: 9 MB and more.
cv::Mat1b noise() {
  cv::Mat1b all(3000, 3000);
  cv::randu(all, 0, 256);
  return all;
}

// (A buffer was freed twice.)
TEST(LittleMemory, ForAJpegIsToldAsThat) {
  const cv::Mat1b picture = noise();
  EXPECT_EXIT(write_in(4U << 20U, [&] { jpeg_bytes(picture, 100); }), testing::ExitedWithCode(5), "");
  EXPECT_EXIT(write_in(256U << 20U, [&] { jpeg_bytes(picture, 100); }), testing::ExitedWithCode(0), "");
}

// (It was told as a fault of Rebite.)
TEST(LittleMemory, ForAPngIsToldAsThat) {
  const cv::Mat1b picture = noise();
  for (const std::size_t room : {0U, 100'000U, 1U << 20U, 4U << 20U})
    EXPECT_EXIT(write_in(room, [&] { png_bytes(picture); }), testing::ExitedWithCode(5), "") << room;
  EXPECT_EXIT(write_in(256U << 20U, [&] { png_bytes(picture); }), testing::ExitedWithCode(0), "");
}

}  // namespace
}  // namespace rebite::scan
