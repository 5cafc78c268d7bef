#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <csetjmp>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <new>
#include <string_view>
#include <vector>

#include "scan/exif.h"
#include "scan/pixel_source.h"

// After <cstdio>: jpeglib.h needs FILE.
#include <jpeglib.h>

// libjpeg leaves through longjmp. Every function here that sets a jump point calls only libjpeg and
// touches only plain data, so that no destructor is jumped over.
namespace rebite::scan {
namespace {

// A progressive file of thousands of scans keeps a decoder busy for minutes (a known denial of
// service); honest files have about ten.
constexpr int max_scans = 64;
constexpr double max_progressive_megapixels = 120;

struct JpegTalk {
  jpeg_error_mgr manager{};  // first: libjpeg hands back a pointer to it
  std::jmp_buf jump{};
  char message[JMSG_LENGTH_MAX] = "";
  bool warned = false;
};

[[noreturn]] void on_error(j_common_ptr jpeg) {
  auto* talk = reinterpret_cast<JpegTalk*>(jpeg->err);
  if (talk->message[0] == 0) jpeg->err->format_message(jpeg, talk->message);
  std::longjmp(talk->jump, 1);
}

// Level -1 is a warning of damaged data; the decoder would go on and invent pixels.
void on_message(j_common_ptr jpeg, int level) {
  if (level >= 0) return;
  auto* talk = reinterpret_cast<JpegTalk*>(jpeg->err);
  if (talk->message[0] == 0) jpeg->err->format_message(jpeg, talk->message);
  talk->warned = true;
}

void on_output(j_common_ptr) {}

void on_progress(j_common_ptr jpeg) {
  if (!jpeg->is_decompressor) return;
  auto* d = reinterpret_cast<j_decompress_ptr>(jpeg);
  auto* talk = reinterpret_cast<JpegTalk*>(jpeg->err);
  if (talk->warned) std::longjmp(talk->jump, 1);
  if (d->input_scan_number > max_scans) {
    std::snprintf(talk->message,
                  sizeof talk->message,
                  "more than %d passes in a progressive file",
                  max_scans);
    talk->warned = true;
    std::longjmp(talk->jump, 1);
  }
}

bool create(jpeg_decompress_struct* jpeg, JpegTalk* talk, std::FILE* file) {
  if (setjmp(talk->jump)) return false;
  jpeg_create_decompress(jpeg);
  jpeg_stdio_src(jpeg, file);
  jpeg_save_markers(jpeg, JPEG_APP0 + 1, 0xffff);
  jpeg_save_markers(jpeg, JPEG_APP0 + 2, 0xffff);
  return true;
}

bool read_head(jpeg_decompress_struct* jpeg, JpegTalk* talk) {
  if (setjmp(talk->jump)) return false;
  return jpeg_read_header(jpeg, TRUE) == JPEG_HEADER_OK && !talk->warned;
}

// The caller frees *bytes. Nothing when there is no profile or its parts do not fit together.
bool read_profile(jpeg_decompress_struct* jpeg, JpegTalk* talk, JOCTET** bytes, unsigned* size) {
  if (setjmp(talk->jump)) return false;
  return jpeg_read_icc_profile(jpeg, bytes, size) != 0;
}

bool start(jpeg_decompress_struct* jpeg, JpegTalk* talk) {
  if (setjmp(talk->jump)) return false;
  jpeg_start_decompress(jpeg);
  return !talk->warned;
}

// A progressive file sends each coefficient in several passes; 0 = all its bits have come. A file
// that ends properly after half of the passes would show a picture of too few tones.
bool complete(const jpeg_decompress_struct& jpeg) {
  if (!jpeg.progressive_mode || jpeg.coef_bits == nullptr) return true;
  for (int c = 0; c < jpeg.num_components; ++c) {
    for (int k = 0; k < DCTSIZE2; ++k) {
      if (jpeg.coef_bits[c][k] != 0) return false;
    }
  }
  return true;
}

bool read_some_rows(jpeg_decompress_struct* jpeg, JpegTalk* talk, JSAMPARRAY rows, unsigned n) {
  if (setjmp(talk->jump)) return false;
  unsigned done = 0;
  while (done < n && !talk->warned) done += jpeg_read_scanlines(jpeg, rows + done, n - done);
  return !talk->warned;
}

bool finish(jpeg_decompress_struct* jpeg, JpegTalk* talk) {
  if (setjmp(talk->jump)) return false;
  jpeg_finish_decompress(jpeg);
  return !talk->warned;
}

class JpegSource final : public PixelSource {
 public:
  JpegSource(std::string name, const ReadLimits& limits)
      : name_(std::move(name)), limits_(limits) {}
  ~JpegSource() override {
    if (created_) jpeg_destroy_decompress(&jpeg_);
    if (file_)
      std::fclose(file_);
    else if (fd_ >= 0)
      ::close(fd_);
  }
  Result<void> open(int fd);
  const FileFacts& facts() const override { return facts_; }
  Result<void> read(const TakeBlock& take) override;

 private:
  Result<void> judge();
  void take_tags();
  void take_profile();
  std::unexpected<Problem> refused(const std::string& what,
                                   const std::string& next = save_plain()) {
    return refuse(ProblemKind::data, name_ + ": " + what, next);
  }
  std::unexpected<Problem> damaged(const std::string& where) {
    if (file_ && std::ferror(file_)) return reading_failed(name_, EIO);
    if (std::strstr(talk_.message, "Insufficient memory")) throw std::bad_alloc();
    // libjpeg's words for a kind of JPEG that it does not read: copying it again would not help.
    if (std::strstr(talk_.message, "Unsupported") || std::strstr(talk_.message, "not implemented")) {
      return refused(fmt::format("is a kind of JPEG that is not read here ({})", talk_.message),
                     "Save it as TIFF, without loss, from the program that made it.");
    }
    return refused(fmt::format("the JPEG file is damaged or cut short {}{}",
                               where,
                               talk_.message[0] ? fmt::format(" ({})", talk_.message) : ""),
                   "Copy the file again from where it came, or scan again.");
  }

  std::string name_;
  ReadLimits limits_;
  int fd_ = -1;
  std::FILE* file_ = nullptr;
  JpegTalk talk_{};
  jpeg_decompress_struct jpeg_{};
  jpeg_progress_mgr progress_{};
  bool created_ = false;
  FileFacts facts_;
};

Result<void> JpegSource::open(int fd) {
  fd_ = fd;
  facts_.format = "JPEG";
  file_ = ::fdopen(fd, "rb");
  if (!file_) return damaged("(it cannot be opened)");
  jpeg_.err = jpeg_std_error(&talk_.manager);
  talk_.manager.error_exit = on_error;
  talk_.manager.emit_message = on_message;
  talk_.manager.output_message = on_output;
  created_ = true;  // jpeg_destroy copes with a half-made one
  if (!create(&jpeg_, &talk_, file_)) return damaged("in its header");
  if (!read_head(&jpeg_, &talk_)) return damaged("in its header");
  progress_.progress_monitor = on_progress;
  jpeg_.progress = &progress_;
  return judge();
}

Result<void> JpegSource::judge() {
  if (auto r = check_size(name_, jpeg_.image_width, jpeg_.image_height, limits_); !r) return r;
  if (jpeg_.jpeg_color_space == JCS_CMYK || jpeg_.jpeg_color_space == JCS_YCCK) {
    return refused("is in CMYK (printing inks), which has no tone of its own");
  }
  const bool grey = jpeg_.jpeg_color_space == JCS_GRAYSCALE;
  if (!grey && jpeg_.jpeg_color_space != JCS_YCbCr && jpeg_.jpeg_color_space != JCS_RGB) {
    return refused(
        fmt::format("has {} components that are neither grey nor colour", jpeg_.num_components));
  }
  if (jpeg_.data_precision != 8) {
    return refused(fmt::format("has {} bits per sample; 8 are read in JPEG", jpeg_.data_precision));
  }
  const double megapixels = double(jpeg_.image_width) * jpeg_.image_height / 1e6;
  if (jpeg_.progressive_mode && megapixels > max_progressive_megapixels) {
    return refused(
        fmt::format("is a progressive JPEG of {:.0f} megapixels, more than the limit of "
                    "{:.0f}",
                    megapixels,
                    max_progressive_megapixels));
  }
  facts_.width = static_cast<int>(jpeg_.image_width);
  facts_.height = static_cast<int>(jpeg_.image_height);
  facts_.bits = 8;
  facts_.channels = grey ? 1 : 3;
  facts_.lossy = true;
  jpeg_.out_color_space = grey ? JCS_GRAYSCALE : JCS_RGB;
  jpeg_.dct_method = JDCT_ISLOW;
  take_tags();
  take_profile();
  return {};
}

void JpegSource::take_tags() {
  for (const jpeg_marker_struct* m = jpeg_.marker_list; m; m = m->next) {
    const std::string_view data(reinterpret_cast<const char*>(m->data), m->data_length);
    constexpr std::string_view head("Exif\0\0", 6);
    if (m->marker != JPEG_APP0 + 1 || data.substr(0, 6) != head) continue;
    if (const auto exif = read_exif(data.substr(6))) {
      if (exif->orientation) facts_.orientation = exif->orientation;
      facts_.dpi_x = exif->dpi_x;
      facts_.dpi_y = exif->dpi_y;
    }
    break;
  }
  if (!jpeg_.saw_JFIF_marker) return;
  const double per_inch = jpeg_.density_unit == 2 ? 2.54 : 1;
  const double x = jpeg_.X_density * per_inch, y = jpeg_.Y_density * per_inch;
  if (jpeg_.density_unit == 0) {
    facts_.aspect_only = facts_.dpi_x <= 0;
    return;
  }
  if (facts_.dpi_x > 0 && x > 0 && std::abs(facts_.dpi_x / x - 1) > 0.01) {
    facts_.notes.push_back(
        fmt::format("The file gives two resolutions, {:.0f} dpi (JFIF) and {:.0f} dpi (EXIF); the "
                    "first is used.",
                    x,
                    facts_.dpi_x));
  }
  if (x > 0 && y > 0) {
    facts_.dpi_x = x;
    facts_.dpi_y = y;
  }
}

void JpegSource::take_profile() {
  JOCTET* bytes = nullptr;
  unsigned size = 0;
  const bool found = read_profile(&jpeg_, &talk_, &bytes, &size);
  if (found && size <= limits_.max_profile_bytes) {
    facts_.icc.assign(reinterpret_cast<const char*>(bytes), size);
  } else if (found) {
    facts_.notes.push_back(
        fmt::format("The colour profile has {} bytes, more than the limit of {}; it was not used.",
                    size,
                    limits_.max_profile_bytes));
  }
  std::free(bytes);
  if (talk_.warned) {
    facts_.notes.push_back("The embedded colour profile is damaged; it was not used.");
    talk_.warned = false;
    talk_.message[0] = 0;
  }
}

Result<void> JpegSource::read(const TakeBlock& take) {
  if (!start(&jpeg_, &talk_)) return damaged("in its pixels");
  if (!complete(jpeg_)) return damaged("(some passes of its progressive picture are missing)");
  const int samples = facts_.channels;
  if (jpeg_.output_components != samples) return damaged("(samples per pixel)");
  constexpr int group = 16;
  const auto row_bytes = static_cast<std::size_t>(facts_.width) * static_cast<std::size_t>(samples);
  std::vector<JSAMPLE> buffer(row_bytes * group);
  std::vector<JSAMPROW> rows(group);
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i] = buffer.data() + i * row_bytes;
  for (int y = 0; y < facts_.height; y += group) {
    const int height = std::min(group, facts_.height - y);
    if (!read_some_rows(&jpeg_, &talk_, rows.data(), static_cast<unsigned>(height))) {
      return damaged(fmt::format("near row {} of {}", y, facts_.height));
    }
    if (!take({0,
               y,
               facts_.width,
               height,
               buffer.data(),
               static_cast<std::ptrdiff_t>(row_bytes),
               samples})) {
      return {};
    }
  }
  if (!finish(&jpeg_, &talk_)) return damaged("at its end");
  return {};
}

}  // namespace

Result<std::unique_ptr<PixelSource>> open_jpeg(int fd,
                                               const std::string& name,
                                               const ReadLimits& limits) {
  auto source = std::make_unique<JpegSource>(name, limits);
  if (auto r = source->open(fd); !r) return std::unexpected(r.error());
  return source;
}

}  // namespace rebite::scan
