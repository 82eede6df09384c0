# One target per folder, third parties linked PRIVATE, the same warnings everywhere.

set(CMAKE_CXX_STANDARD 20)
set(CMAKE_CXX_STANDARD_REQUIRED ON)
set(CMAKE_CXX_EXTENSIONS OFF)
set(CMAKE_EXPORT_COMPILE_COMMANDS ON)

option(DAWNRIG_COVERAGE "instrument for coverage" OFF)
set(DAWNRIG_SANITIZE "" CACHE STRING "sanitizers, comma separated")

find_program(CCACHE ccache)
if(CCACHE)
  set(CMAKE_C_COMPILER_LAUNCHER ${CCACHE})
  set(CMAKE_CXX_COMPILER_LAUNCHER ${CCACHE})
endif()

add_library(dawnrig_options INTERFACE)
# No contraction and no fast math: the same inputs give the same trace in every build type.
target_compile_options(dawnrig_options INTERFACE
  -ffp-contract=off -Wall -Wextra -Wpedantic -Wconversion -Wshadow -Wdouble-promotion -Wnon-virtual-dtor
  -Woverloaded-virtual -Werror)
target_include_directories(dawnrig_options INTERFACE ${PROJECT_SOURCE_DIR})
if(DAWNRIG_SANITIZE)
  add_compile_options(-fsanitize=${DAWNRIG_SANITIZE} -fno-omit-frame-pointer -fno-sanitize-recover=all)
  add_link_options(-fsanitize=${DAWNRIG_SANITIZE})
  # The compiler loses sight of what is set in code that is watched: of the standard library's, for one.
  target_compile_options(dawnrig_options INTERFACE -Wno-maybe-uninitialized)
  if(DAWNRIG_SANITIZE MATCHES thread)
    # Asio's fences of memory order, which this sanitizer does not see: it could report too much because of them.
    target_compile_options(dawnrig_options INTERFACE -Wno-tsan)
  endif()
endif()
if(DAWNRIG_COVERAGE)
  add_compile_options(--coverage)
  add_link_options(--coverage)
endif()

# dawnrig_library(NAME [DEPS ours...] [PRIVATE third parties...]): every .cc of this folder.
function(dawnrig_library name)
  cmake_parse_arguments(arg "" "" "DEPS;PRIVATE" ${ARGN})
  file(GLOB_RECURSE sources CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/*.cc)
  if(NOT sources)
    add_library(${name} INTERFACE)
    target_link_libraries(${name} INTERFACE dawnrig_options ${arg_DEPS})
    return()
  endif()
  add_library(${name} STATIC ${sources})
  target_link_libraries(${name} PUBLIC dawnrig_options ${arg_DEPS} PRIVATE ${arg_PRIVATE})
endfunction()

# dawnrig_test(ROOM_test [LIBS libraries...] [TIMEOUT seconds]): every .cc of this folder in one executable. ctest knows its
# tests as room.Suite.Name, and all of them by the label ROOM.
function(dawnrig_test name)
  cmake_parse_arguments(arg "" "TIMEOUT" "LIBS" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/*.cc)
  if(NOT sources)
    return()
  endif()
  if(NOT arg_TIMEOUT)
    set(arg_TIMEOUT 300)
  endif()
  if(DAWNRIG_SANITIZE)
    math(EXPR arg_TIMEOUT "${arg_TIMEOUT} * 4")  # they cost that much
  endif()
  add_executable(${name} ${sources})
  target_link_libraries(${name} PRIVATE ${arg_LIBS} dawnrig_options GTest::gmock GTest::gtest_main)
  target_compile_definitions(${name} PRIVATE DAWNRIG_SOURCE_DIR="${PROJECT_SOURCE_DIR}"
                                             DAWNRIG_BINARY_DIR="${PROJECT_BINARY_DIR}")
  string(REGEX REPLACE "_test$" "" room ${name})
  gtest_discover_tests(${name} TEST_PREFIX ${room}. DISCOVERY_TIMEOUT 60 PROPERTIES TIMEOUT ${arg_TIMEOUT} LABELS ${room})
endfunction()
include(GoogleTest)
