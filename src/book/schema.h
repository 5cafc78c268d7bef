// The book's tables, version by version.
#pragma once

#include <span>

#include "book/store.h"

namespace rebite::book {

// "rbtB": tells a record book from any other SQLite file.
inline constexpr int application_id = 0x72627442;

// migrations()[k] takes a book of version k to version k + 1 (k = 0: an empty file).
std::span<const char* const> migrations();
inline int newest_version() { return static_cast<int>(migrations().size()); }

// The version of an open file: 0 for an empty one. Refuses (data) files that are no record book and
// books newer than `newest`.
Result<int> version_of(Store& store, int newest);

// Brings the book up to steps.size() (all of migrations()), each step with its version number in
// one transaction.
Result<void> bring_up(Store& store, std::span<const char* const> steps);

struct Table {
  const char* name;
  int since;  // version of the book
};
// In an order in which every row comes after the rows it points to.
std::span<const Table> tables();

}  // namespace rebite::book
