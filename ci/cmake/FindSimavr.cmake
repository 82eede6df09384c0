# The packaged AVR instruction simulator has no CMake or pkg-config file of its own.
find_path(SIMAVR_INCLUDE_DIR simavr/sim_avr.h)
find_library(SIMAVR_LIBRARY simavr)
find_library(SIMAVR_ELF_LIBRARY elf)
include(FindPackageHandleStandardArgs)
find_package_handle_standard_args(Simavr REQUIRED_VARS SIMAVR_LIBRARY SIMAVR_INCLUDE_DIR SIMAVR_ELF_LIBRARY)
if(Simavr_FOUND AND NOT TARGET Simavr::simavr)
  add_library(Simavr::simavr UNKNOWN IMPORTED)
  set_target_properties(Simavr::simavr PROPERTIES
    IMPORTED_LOCATION ${SIMAVR_LIBRARY}
    INTERFACE_INCLUDE_DIRECTORIES "${SIMAVR_INCLUDE_DIR};${SIMAVR_INCLUDE_DIR}/simavr"
    INTERFACE_LINK_LIBRARIES ${SIMAVR_ELF_LIBRARY})
endif()
