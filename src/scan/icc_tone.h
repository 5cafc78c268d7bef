// An embedded ICC profile as a way from codes to luminance, through Little CMS.
#pragma once

#include <array>
#include <expected>
#include <memory>
#include <string>
#include <vector>

namespace rebite::scan {

// Luminance Y of the profile connection space, relative colorimetric intent: the profile's white is
// Y = 1, so Y is reflectance relative to the profile's white (ICC.1:2010, 7.2.16 and annex D).
class IccTone {
 public:
  // `channels` 1 or 3, `bits` 8 or 16 of the picture. The error is a sentence for a note: why the
  // profile cannot be used (junk, cut short, made for other colours, a device link ...).
  static std::expected<IccTone, std::string> from_bytes(const std::string& bytes,
                                                        int channels,
                                                        int bits);
  IccTone(IccTone&&) noexcept;
  IccTone& operator=(IccTone&&) noexcept;
  ~IccTone();

  const std::string& description() const { return description_; }
  // One table per channel, indexed by code; Y is the sum over the channels. Empty when the profile
  // is no sum of curves (a table profile): then use lines().
  const std::vector<std::vector<float>>& tables() const { return tables_; }
  // Y for `width` pixels of samples as in Block; for table profiles.
  void line(const void* samples, int pixel_stride, int width, float* y) const;

 private:
  IccTone();
  struct Handles;
  double luminance(const std::array<float, 3>& code) const;
  void fill_tables(std::size_t codes);
  bool tables_agree() const;

  std::unique_ptr<Handles> handles_;
  std::string description_;
  std::vector<std::vector<float>> tables_;
  int channels_ = 1;
  int bits_ = 8;
};

}  // namespace rebite::scan
