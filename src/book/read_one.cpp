// One entry by its number, without the rest of the book: what a page asks for again and again.
#include "book/book.h"
#include "book/rows.h"

namespace rebite::book {

std::optional<StruckOut> struck_of(SQLite::Statement& s, int column) {
  if (s.getColumn(column).isNull()) return std::nullopt;
  return StruckOut{text(s.getColumn(column + 1)), text(s.getColumn(column + 2))};
}

std::vector<Bite> bites_where(Store& store, const std::string& where, Id key) {
  std::vector<Bite> list;
  SQLite::Statement s(store.db(),
                      "SELECT b.id, b.state_id, b.stage, b.minutes, b.temperature_c, b.batch_id, "
                      "b.done_on, b.note, x.id, x.struck_on, x.why FROM bites b "
                      "LEFT JOIN struck_out x ON x.bite_id = b.id " +
                          where + " ORDER BY b.state_id, b.stage, b.id");
  s.bind(1, key);
  while (s.executeStep()) {
    Bite b;
    b.id = s.getColumn(0).getInt64();
    b.state = s.getColumn(1).getInt64();
    b.stage = s.getColumn(2).getInt();
    b.minutes = s.getColumn(3).getDouble();
    if (!s.getColumn(4).isNull()) b.temperature_c = s.getColumn(4).getDouble();
    b.batch = s.getColumn(5).isNull() ? 0 : s.getColumn(5).getInt64();
    b.done_on = text(s.getColumn(6));
    b.note = text(s.getColumn(7));
    b.struck = struck_of(s, 8);
    list.push_back(std::move(b));
  }
  return list;
}

Result<std::vector<Bite>> Book::bites(Id state) {
  return store_->read([&]() -> Result<std::vector<Bite>> {
    return bites_where(*store_, "WHERE b.state_id=?", state);
  });
}

Result<std::optional<WedgeRecord>> Book::wedge(Id wedge) {
  return store_->read([&]() -> Result<std::optional<WedgeRecord>> {
    SQLite::Statement s(store_->db(), "SELECT batch_id, bitten_on, text FROM wedges WHERE id=?");
    s.bind(1, wedge);
    if (!s.executeStep()) return std::nullopt;
    return WedgeRecord{
        wedge, s.getColumn(0).getInt64(), text(s.getColumn(1)), text(s.getColumn(2))};
  });
}

Result<std::optional<State>> Book::state(Id id) {
  return store_->read([&]() -> Result<std::optional<State>> {
    SQLite::Statement s(store_->db(), "SELECT plate_id, number FROM states WHERE id=?");
    s.bind(1, id);
    if (!s.executeStep()) return std::nullopt;
    return state(s.getColumn(0).getInt64(), s.getColumn(1).getInt());
  });
}

Result<std::optional<Plate>> Book::plate(Id id) {
  return store_->read([&]() -> Result<std::optional<Plate>> {
    SQLite::Statement s(store_->db(), "SELECT title FROM plates WHERE id=?");
    s.bind(1, id);
    if (!s.executeStep()) return std::nullopt;
    auto found = plate(s.getColumn(0).getString());
    if (!found) return std::unexpected(found.error());
    return std::move(*found);
  });
}

Result<std::string> Book::preview(Id state, bool drawing) {
  return store_->read([&]() -> Result<std::string> {
    SQLite::Statement s(
        store_->db(),
        drawing ? "SELECT d.preview FROM states s JOIN scans d ON d.id = s.drawing_id WHERE s.id=?"
                : "SELECT d.preview FROM proofs f JOIN scans d ON d.id = f.scan_id WHERE "
                  "f.state_id=? ORDER BY f.place LIMIT 1");
    s.bind(1, state);
    if (!s.executeStep() || s.getColumn(0).isNull()) return std::string();
    return std::string(static_cast<const char*>(s.getColumn(0).getBlob()),
                       static_cast<std::size_t>(s.getColumn(0).getBytes()));
  });
}

}  // namespace rebite::book
