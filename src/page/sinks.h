// What takes a request's body.
#pragma once

#include "page/room.h"

namespace rebite::page {

// A small body, then its handler.
class BodySink : public Sink {
 public:
  BodySink(Room& room, Request head, Room::Handler handler, Room::Numbers numbers)
      : room_(room), head_(std::move(head)), handler_(handler), numbers_(std::move(numbers)) {}
  std::optional<Response> take(std::string_view piece) override;
  Response done() override;

 private:
  Room& room_;
  Request head_;
  Room::Handler handler_;
  Room::Numbers numbers_;
};

// A scan, straight onto the disk; what is none, or not whole, leaves nothing behind.
class ScanSink : public Sink {
 public:
  ScanSink(Room& room, std::string name);
  ~ScanSink() override;
  ScanSink(const ScanSink&) = delete;
  ScanSink& operator=(const ScanSink&) = delete;
  std::optional<Response> take(std::string_view piece) override;
  Response done() override;

 private:
  Room& room_;
  std::string name_;  // as the user calls it
  std::filesystem::path file_;
  int fd_ = -1;
  std::uint64_t bytes_ = 0;
  bool kept_ = false;
};

}  // namespace rebite::page
