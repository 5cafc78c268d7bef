#include "page/sinks.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <nlohmann/json.hpp>

#include "page/form.h"

namespace rebite::page {
namespace {
using Json = nlohmann::json;

Response no_room() {
  return refusal(500,
                 "The scan could not be kept: the disk is full or cannot be written.",
                 "Make room, then hand it in again.");
}

}  // namespace

std::optional<Response> BodySink::take(std::string_view piece) {
  if (head_.body.size() + piece.size() > room_.options().most_body_bytes) {
    return refusal(413, "That is more than this page takes.", "Send less.");
  }
  head_.body.append(piece);
  return std::nullopt;
}

Response BodySink::done() { return (room_.*handler_)(head_, numbers_); }

ScanSink::ScanSink(Room& room, std::string name) : room_(room), name_(std::move(name)) {
  file_ = room.options().studio.waiting() / file_name_for(name_, Keys::fresh().page.substr(0, 8));
  fd_ = ::open(file_.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
}

ScanSink::~ScanSink() {
  if (fd_ >= 0) ::close(fd_);
  if (!kept_) ::unlink(file_.c_str());
}

std::optional<Response> ScanSink::take(std::string_view piece) {
  bytes_ += piece.size();
  const auto most = room_.options().most_scan_bytes;
  if (bytes_ > most) {
    return refusal(413,
                   fmt::format("This scan is larger than {} MB.", most >> 20),
                   "Scan at 600 dpi or less, in grey.");
  }
  while (fd_ >= 0 && !piece.empty()) {
    const auto n = ::write(fd_, piece.data(), piece.size());
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return no_room();
    piece.remove_prefix(static_cast<std::size_t>(n));
  }
  return fd_ < 0 ? std::optional(no_room()) : std::nullopt;
}

Response ScanSink::done() {
  if (fd_ < 0 || ::fsync(fd_) != 0) return no_room();
  const auto facts = jobs::upload_json(file_);
  if (!facts) {
    return refusal(
        named(facts.error(),
              {{file_.filename().string(), name_}, {file_.parent_path().string() + "/", ""}}));
  }
  const auto id = room_.add_scan(std::make_shared<const Room::Scan>(file_, name_));
  kept_ = true;
  Json j = Json::parse(*facts);
  j["scan"] = id;
  j["name"] = name_;
  Response r;
  r.body = j.dump(-1, ' ', false, Json::error_handler_t::replace);
  return r;
}

}  // namespace rebite::page
