#include "tests/sheets/page_pictures.h"

#include <png.h>
#include <unistd.h>

#include <atomic>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <opencv2/imgproc.hpp>
#include <sstream>
#include <stdexcept>

#include "scan/write_scan.h"

namespace rebite::maker {
namespace {

namespace fs = std::filesystem;

std::string read_all(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  if (!in) throw std::runtime_error("not there: " + file.string());
  return {std::istreambuf_iterator<char>(in), {}};
}

void write_all(const fs::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary) << bytes;
}

// A folder that goes away.
class Folder {
 public:
  Folder() {
    static std::atomic<int> count{0};
    path_ = fs::temp_directory_path() /
            ("rebite-sheets-" + std::to_string(getpid()) + "-" + std::to_string(count++));
    fs::create_directories(path_);
  }
  ~Folder() { fs::remove_all(path_); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  fs::path file(const std::string& name) const { return path_ / name; }

 private:
  fs::path path_;
};

void run(const std::string& command) {
  if (std::system(command.c_str()) != 0) throw std::runtime_error("failed: " + command);
}

cv::Mat1b pgm(const fs::path& file) {
  const std::string bytes = read_all(file);
  std::istringstream in(bytes);
  std::string magic;
  int width = 0, height = 0, most = 0;
  in >> magic >> width >> height >> most;
  in.get();
  if (magic != "P5" || most != 255) throw std::runtime_error("no grey picture: " + file.string());
  cv::Mat1b out(height, width);
  in.read(reinterpret_cast<char*>(out.data), static_cast<std::streamsize>(out.total()));
  return out;
}

}  // namespace

cv::Mat1b png_grey(const std::string& bytes) {
  png_image image{};
  image.version = PNG_IMAGE_VERSION;
  if (png_image_begin_read_from_memory(&image, bytes.data(), bytes.size()) == 0)
    throw std::runtime_error(image.message);
  image.format = PNG_FORMAT_RGB;
  cv::Mat3b rgb(static_cast<int>(image.height), static_cast<int>(image.width));
  if (png_image_finish_read(&image, nullptr, rgb.data, 0, nullptr) == 0)
    throw std::runtime_error(image.message);
  cv::Mat1b grey;
  cv::cvtColor(rgb, grey, cv::COLOR_RGB2GRAY);
  return grey;
}

std::vector<cv::Mat1b> pdf_pages(const std::string& pdf, double dpi, int first, int last) {
  const Folder folder;
  write_all(folder.file("in.pdf"), pdf);
  run("pdftoppm -gray -r " + std::to_string(dpi) + " -f " + std::to_string(first) + " -l " +
      std::to_string(last) + " '" + folder.file("in.pdf").string() + "' '" +
      folder.file("page").string() + "'");
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(folder.file("").parent_path()))
    if (entry.path().extension() == ".pgm") files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  std::vector<cv::Mat1b> out;
  for (const auto& file : files) out.push_back(pgm(file));
  return out;
}

std::string pdf_text(const std::string& pdf, int first, int last) {
  const Folder folder;
  write_all(folder.file("in.pdf"), pdf);
  run("pdftotext -layout -f " + std::to_string(first) + " -l " + std::to_string(last) + " '" +
      folder.file("in.pdf").string() + "' '" + folder.file("out.txt").string() + "'");
  // A space that no line may end in reads as any other.
  std::string words = read_all(folder.file("out.txt"));
  for (std::size_t at = 0; (at = words.find("\u00a0", at)) != std::string::npos;)
    words.replace(at, 2, " ");
  return words;
}

std::string pdf_info(const std::string& pdf, const std::string& key) {
  const Folder folder;
  write_all(folder.file("in.pdf"), pdf);
  run("pdfinfo '" + folder.file("in.pdf").string() + "' > '" + folder.file("out.txt").string() +
      "' 2> '" + folder.file("complaints.txt").string() + "'");
  const std::string complaints = read_all(folder.file("complaints.txt"));
  if (!complaints.empty()) throw std::runtime_error("pdfinfo: " + complaints);
  std::istringstream lines(read_all(folder.file("out.txt")));
  for (std::string line; std::getline(lines, line);) {
    if (line.rfind(key + ":", 0) != 0) continue;
    const auto value = line.find_first_not_of(' ', key.size() + 1);
    return value == std::string::npos ? "" : line.substr(value);
  }
  return "";
}

double capital_mm(const std::string& pdf, int page, const std::string& word) {
  const Folder folder;
  write_all(folder.file("in.pdf"), pdf);
  run("pdftotext -bbox -f " + std::to_string(page) + " -l " + std::to_string(page) + " '" +
      folder.file("in.pdf").string() + "' '" + folder.file("out.html").string() + "'");
  std::istringstream lines(read_all(folder.file("out.html")));
  double largest = 0;
  for (std::string line; std::getline(lines, line);) {
    if (line.find(">" + word + "<") == std::string::npos) continue;
    const auto value = [&](const std::string& key) {
      return std::stod(line.substr(line.find(key + "=\"") + key.size() + 2));
    };
    largest = std::max(largest, value("yMax") - value("yMin"));
  }
  return largest / 1.164 * 0.729 * 25.4 / 72;
}

cv::Mat1b contact_sheet(const std::vector<cv::Mat1b>& pages, int columns) {
  int width = 0, height = 0;
  for (const auto& p : pages) {
    width = std::max(width, p.cols);
    height = std::max(height, p.rows);
  }
  constexpr int gap = 6;
  const int rows = (static_cast<int>(pages.size()) + columns - 1) / columns;
  cv::Mat1b out((height + gap) * rows + gap, (width + gap) * columns + gap, uchar{150});
  for (int i = 0; i < static_cast<int>(pages.size()); ++i) {
    const cv::Mat1b& page = pages[static_cast<std::size_t>(i)];
    page.copyTo(out(cv::Rect(gap + i % columns * (width + gap),
                             gap + i / columns * (height + gap),
                             page.cols,
                             page.rows)));
  }
  return out;
}

cv::Mat1b scaled_to_width(const cv::Mat1b& picture, int width) {
  cv::Mat1b out;
  const int height = static_cast<int>(std::lround(1.0 * picture.rows * width / picture.cols));
  cv::resize(picture, out, {width, height}, 0, 0, cv::INTER_AREA);
  return out;
}

testing::AssertionResult like_reference(const std::string& name, const cv::Mat1b& picture) {
  const fs::path file = fs::path(REBITE_SOURCE_DIR) / "tests/sheets/reference" / (name + ".png");
  if (std::getenv("REBITE_NEW_REFERENCES") != nullptr) {
    fs::create_directories(file.parent_path());
    write_all(file, scan::png_bytes(picture));
    return testing::AssertionSuccess() << "written";
  }
  const cv::Mat1b kept = png_grey(read_all(file));
  if (kept.size() != picture.size())
    return testing::AssertionFailure()
           << name << " is " << picture.size() << ", kept " << kept.size();
  cv::Mat1f now, blocks;
  picture.convertTo(now, CV_32F);
  // Signed shifts of an edge cancel within a block: compare blurred pictures instead of edges.
  cv::Mat1f a, b;
  kept.convertTo(a, CV_32F);
  cv::blur(a, a, {8, 8});
  cv::blur(now, b, {8, 8});
  blocks = cv::abs(a - b);
  double worst = 0;
  cv::Point at;
  cv::minMaxLoc(blocks, nullptr, &worst, nullptr, &at);
  const double mean = cv::mean(blocks)[0];
  if (!(worst <= 14) || !(mean <= 1.5)) {
    return testing::AssertionFailure()
           << name << ": differs by " << worst << " at " << at << ", " << mean << " on average";
  }
  return testing::AssertionSuccess();
}

}  // namespace rebite::maker
