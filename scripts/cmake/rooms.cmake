# room(NAME SOURCES a.cpp b.cpp LINKS rooms... PACKAGES libraries... [WORDS])
# One folder is one library. LINKS are the arrows of DEVELOPERS.md; scripts/arrows checks the
# includes against the same table. WORDS: a room of texts, forms and records, where no time is spent
# and much to compile: less optimised.
function(room NAME)
  cmake_parse_arguments(R "WORDS" "" "SOURCES;LINKS;PACKAGES" ${ARGN})
  if(R_SOURCES)
    add_library(rebite_${NAME} STATIC ${R_SOURCES})
    target_include_directories(rebite_${NAME} PUBLIC ${CMAKE_SOURCE_DIR}/src)
    target_link_libraries(rebite_${NAME} PRIVATE rebite_warnings)
    if(R_WORDS)
      target_compile_options(rebite_${NAME} PRIVATE $<$<CONFIG:Release>:-O1>)
      precompile(rebite_${NAME} WORDS)
    else()
      precompile(rebite_${NAME})
    endif()
    set(kind PUBLIC)
  else()
    add_library(rebite_${NAME} INTERFACE)
    target_include_directories(rebite_${NAME} INTERFACE ${CMAKE_SOURCE_DIR}/src)
    set(kind INTERFACE)
  endif()
  list(TRANSFORM R_LINKS PREPEND rebite_)
  target_link_libraries(rebite_${NAME} ${kind} ${R_LINKS} ${R_PACKAGES})
endfunction()

# room_tests(NAME SOURCES ... LINKS rooms... [PACKAGES ...] [LABEL long] [TOGETHER])
# One test program per room (tests/<room>), named <NAME>_tests. REBITE_SHARED is where the outside
# data may lie; tests that need it skip where it is missing (tests/support/outside_data.h).
# TOGETHER: one entry of ctest for the whole program, where its tests share a costly preparation
# that one process an entry would make again for each.
function(room_tests NAME)
  cmake_parse_arguments(R "TOGETHER" "LABEL" "SOURCES;LINKS;PACKAGES" ${ARGN})
  add_executable(${NAME}_tests ${R_SOURCES})
  list(TRANSFORM R_LINKS PREPEND rebite_)
  target_include_directories(${NAME}_tests PRIVATE ${CMAKE_SOURCE_DIR})
  if(REBITE_SANITIZE STREQUAL thread)
    target_sources(${NAME}_tests PRIVATE ${CMAKE_SOURCE_DIR}/tests/support/plain_threads.cpp)
    target_link_libraries(${NAME}_tests PRIVATE opencv::core)
  endif()
  target_link_libraries(${NAME}_tests PRIVATE ${R_LINKS} ${R_PACKAGES} rebite_warnings
    GTest::gmock GTest::gtest GTest::gtest_main)
  # Assertions are many and run once: optimising them costs a quarter of the tests' build for nothing.
  target_compile_options(${NAME}_tests PRIVATE $<$<CONFIG:Release>:-O0>)
  precompile(${NAME}_tests TESTS)
  target_compile_definitions(${NAME}_tests PRIVATE
    REBITE_SOURCE_DIR="${CMAKE_SOURCE_DIR}" REBITE_BINARY_DIR="${CMAKE_BINARY_DIR}")
  if(NOT R_LABEL)
    set(R_LABEL fast)
  endif()
  if(R_TOGETHER)
    add_test(NAME ${NAME} COMMAND ${NAME}_tests)
    set_tests_properties(${NAME} PROPERTIES LABELS ${R_LABEL} TIMEOUT 600 COST 100)
    return()
  endif()
  gtest_discover_tests(${NAME}_tests DISCOVERY_MODE PRE_TEST TEST_PREFIX "${NAME}/"
    PROPERTIES LABELS ${R_LABEL} TIMEOUT 600)
endfunction()

# room_measure(NAME SOURCES ... LINKS ...): a program that prints a table of measured figures
# (accuracy over many seeds, speed as ratios). Not part of the tests.
function(room_measure NAME)
  cmake_parse_arguments(R "" "" "SOURCES;LINKS;PACKAGES" ${ARGN})
  add_executable(measure_${NAME} EXCLUDE_FROM_ALL ${R_SOURCES})
  list(TRANSFORM R_LINKS PREPEND rebite_)
  target_include_directories(measure_${NAME} PRIVATE ${CMAKE_SOURCE_DIR})
  target_link_libraries(measure_${NAME} PRIVATE ${R_LINKS} ${R_PACKAGES} rebite_warnings)
  target_compile_definitions(measure_${NAME} PRIVATE REBITE_SOURCE_DIR="${CMAKE_SOURCE_DIR}")
endfunction()

# embed(ROOM NAME FILES...): the files' bytes as one table in the binary, so that the program needs
# no folder of its own beside it. In C++: #include "embedded_NAME.h"; NAME_files() returns a
# std::span of {std::string_view name, std::string_view bytes}.
function(embed ROOM NAME)
  set(header ${CMAKE_CURRENT_BINARY_DIR}/embedded_${NAME}.h)
  set(source ${CMAKE_CURRENT_BINARY_DIR}/embedded_${NAME}.cpp)
  list(TRANSFORM ARGN PREPEND ${CMAKE_CURRENT_SOURCE_DIR}/ REGEX "^[^/]" OUTPUT_VARIABLE paths)
  add_custom_command(OUTPUT ${header} ${source}
    COMMAND ${CMAKE_COMMAND} -DNAME=${NAME} -DHEADER=${header} -DSOURCE=${source}
      "-DFILES=${paths}" -P ${CMAKE_SOURCE_DIR}/scripts/cmake/embed.cmake
    DEPENDS ${paths} ${CMAKE_SOURCE_DIR}/scripts/cmake/embed.cmake VERBATIM)
  set_source_files_properties(${source} PROPERTIES SKIP_UNITY_BUILD_INCLUSION ON)
  target_sources(rebite_${ROOM} PRIVATE ${source} ${header})
  target_include_directories(rebite_${ROOM} PUBLIC ${CMAKE_CURRENT_BINARY_DIR})
endfunction()
