// SHA-256 as FIPS 180-4 states it. Own code because the libraries that have it (TLS toolkits) are
// far larger than these lines.
#include <array>
#include <bit>
#include <cstdint>
#include <cstdio>
#include <fstream>

#include "files/files.h"

namespace rebite::files {
namespace {

constexpr std::array<std::uint32_t, 64> round_constants = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};

class Sha256 {
 public:
  void add(std::string_view bytes) {
    length_ += bytes.size();
    for (const char c : bytes) {
      block_[filled_++] = static_cast<std::uint8_t>(c);
      if (filled_ == block_.size()) take_block();
    }
  }

  std::string finish() {
    const std::uint64_t bits = length_ * 8;
    add(std::string_view("\x80", 1));
    while (filled_ != 56) add(std::string_view("\0", 1));
    for (int i = 7; i >= 0; --i) block_[filled_++] = static_cast<std::uint8_t>(bits >> (8 * i));
    take_block();
    std::string hex;
    for (const std::uint32_t word : state_) {
      char text[9];
      std::snprintf(text, sizeof text, "%08x", static_cast<unsigned>(word));
      hex += text;
    }
    return hex;
  }

 private:
  void take_block() {
    std::array<std::uint32_t, 64> w{};
    for (std::size_t i = 0; i < 16; ++i) {
      w[i] = std::uint32_t{block_[4 * i]} << 24 | std::uint32_t{block_[4 * i + 1]} << 16 |
             std::uint32_t{block_[4 * i + 2]} << 8 | block_[4 * i + 3];
    }
    for (std::size_t i = 16; i < 64; ++i) {
      const std::uint32_t a = w[i - 15], b = w[i - 2];
      w[i] = w[i - 16] + (std::rotr(a, 7) ^ std::rotr(a, 18) ^ a >> 3) + w[i - 7] +
             (std::rotr(b, 17) ^ std::rotr(b, 19) ^ b >> 10);
    }
    auto [a, b, c, d, e, f, g, h] = state_;
    for (std::size_t i = 0; i < 64; ++i) {
      const std::uint32_t t1 = h + (std::rotr(e, 6) ^ std::rotr(e, 11) ^ std::rotr(e, 25)) +
                               ((e & f) ^ (~e & g)) + round_constants[i] + w[i];
      const std::uint32_t t2 =
          (std::rotr(a, 2) ^ std::rotr(a, 13) ^ std::rotr(a, 22)) + ((a & b) ^ (a & c) ^ (b & c));
      h = g, g = f, f = e, e = d + t1, d = c, c = b, b = a, a = t1 + t2;
    }
    const std::array<std::uint32_t, 8> add{a, b, c, d, e, f, g, h};
    for (std::size_t i = 0; i < 8; ++i) state_[i] += add[i];
    filled_ = 0;
  }

  std::array<std::uint32_t, 8> state_{0x6a09e667,
                                      0xbb67ae85,
                                      0x3c6ef372,
                                      0xa54ff53a,
                                      0x510e527f,
                                      0x9b05688c,
                                      0x1f83d9ab,
                                      0x5be0cd19};
  std::array<std::uint8_t, 64> block_{};
  std::size_t filled_ = 0;
  std::uint64_t length_ = 0;
};

}  // namespace

std::string sha256(std::string_view bytes) {
  Sha256 sum;
  sum.add(bytes);
  return sum.finish();
}

Result<std::string> sha256_of_file(const std::filesystem::path& file) {
  // Asked first: a pipe would keep whoever opens it waiting.
  std::error_code unknown;
  if (std::filesystem::is_directory(file, unknown)) {
    return refuse(ProblemKind::no_input, shown(file) + ": is a folder, not a file", "Name a file.");
  }
  std::ifstream in;
  if (std::filesystem::is_regular_file(file, unknown)) in.open(file, std::ios::binary);
  if (!in.is_open()) {
    return refuse(ProblemKind::no_input,
                  shown(file) + ": cannot be read, or is no file",
                  "Check the name, and that you may read it.");
  }
  Sha256 sum;
  std::string part(std::size_t{1} << 20, '\0');
  while (in) {
    in.read(part.data(), static_cast<std::streamsize>(part.size()));
    sum.add({part.data(), static_cast<std::size_t>(in.gcount())});
  }
  if (in.bad()) return refuse(ProblemKind::io, shown(file) + ": reading failed", "Copy the file.");
  return sum.finish();
}

}  // namespace rebite::files
