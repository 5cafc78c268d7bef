# browser_test(NAME SCRIPT [arguments...]): a test in headless Chromium, label "browser". SCRIPT is a
# path below tests/. Skipped with a message where node, npm or chromium is missing. COST: the longest
# tests start first, so that no core is idle at the end.
function(browser_test NAME SCRIPT)
  add_test(NAME ${NAME}
    COMMAND ${CMAKE_SOURCE_DIR}/tests/support/browser_test.sh ${CMAKE_BINARY_DIR} ${SCRIPT} ${ARGN})
  set_tests_properties(${NAME} PROPERTIES LABELS browser SKIP_RETURN_CODE 77 TIMEOUT 600 COST 100)
endfunction()
