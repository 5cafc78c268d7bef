# Run by embed() of rooms.cmake: writes HEADER and SOURCE for the FILES.
file(WRITE ${HEADER}.new "#pragma once
#include <span>
#include <string_view>
#include <utility>
// name (without folder) and bytes of each embedded file
std::span<const std::pair<std::string_view, std::string_view>> ${NAME}_files();
")
file(COPY_FILE ${HEADER}.new ${HEADER} ONLY_IF_DIFFERENT)
set(arrays "")
set(table "")
set(n 0)
foreach(path IN LISTS FILES)
  get_filename_component(name ${path} NAME)
  file(READ ${path} hex HEX)
  string(LENGTH "${hex}" length)
  math(EXPR length "${length} / 2")
  # In pieces: one replacement over a long text takes minutes (its cost grows with the square).
  set(bytes "")
  string(LENGTH "${hex}" digits)
  set(at 0)
  while(at LESS digits)
    string(SUBSTRING "${hex}" ${at} 8192 piece)
    string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," piece "${piece}")
    string(APPEND bytes "${piece}\n")
    math(EXPR at "${at} + 8192")
  endwhile()
  string(APPEND arrays "const unsigned char file_${n}[] = {${bytes}0};\n")
  string(APPEND table "    {\"${name}\", {reinterpret_cast<const char*>(file_${n}), ${length}}},\n")
  math(EXPR n "${n} + 1")
endforeach()
file(WRITE ${SOURCE} "#include \"${HEADER}\"
namespace {
${arrays}
const std::pair<std::string_view, std::string_view> table[] = {
${table}};
}  // namespace
std::span<const std::pair<std::string_view, std::string_view>> ${NAME}_files() { return table; }
")
