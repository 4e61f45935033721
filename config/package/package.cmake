# What is installed beside the program, and the Debian package.
#
#   cmake --install build                      into the prefix that was configured (/usr/local by default); DESTDIR is heeded
#   cmake -DCMAKE_INSTALL_PREFIX=/usr ... && ninja && cpack      a Debian package: the program looks for its maps under its prefix
include(GNUInstallDirs)
set(UPHOLE_PACKAGE_RELEASE 1 CACHE STRING "Release of the Debian package: raised where the same version is packaged again")
set(PACKAGE_SOURCE ${CMAKE_CURRENT_LIST_DIR})
set(PACKAGE_BUILD ${CMAKE_BINARY_DIR}/for-install)
file(MAKE_DIRECTORY ${PACKAGE_BUILD})

# Manual pages and completion, printed by the program itself.
set(manual_pages)
foreach(page uphole.1 uphole.yaml.5 uphole-map.5)
  string(REGEX REPLACE "\\.[15]$" "" name ${page})
  add_custom_command(OUTPUT ${PACKAGE_BUILD}/${page}.gz DEPENDS uphole VERBATIM
    COMMAND sh -c "\"$1\" manual \"$2\" >\"$3\" && gzip -9nf \"$3\"" manual $<TARGET_FILE:uphole> ${name} ${PACKAGE_BUILD}/${page}
    COMMENT "Printing ${page}")
  list(APPEND manual_pages ${PACKAGE_BUILD}/${page}.gz)
  string(REGEX MATCH "[15]$" section ${page})
  install(FILES ${PACKAGE_BUILD}/${page}.gz DESTINATION ${CMAKE_INSTALL_MANDIR}/man${section})
endforeach()
add_custom_command(OUTPUT ${PACKAGE_BUILD}/completion DEPENDS uphole VERBATIM
  COMMAND sh -c "\"$1\" manual completion >\"$2\"" manual $<TARGET_FILE:uphole> ${PACKAGE_BUILD}/completion
  COMMENT "Printing the completion of bash")
add_custom_target(manual ALL DEPENDS ${manual_pages} ${PACKAGE_BUILD}/completion)
install(FILES ${PACKAGE_BUILD}/completion DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions RENAME uphole)

# The unit names the program where it is installed.
file(READ ${CMAKE_SOURCE_DIR}/systemd/uphole.service unit)
string(REPLACE "/usr/bin/uphole" "${CMAKE_INSTALL_FULL_BINDIR}/uphole" unit "${unit}")
file(CONFIGURE OUTPUT ${PACKAGE_BUILD}/uphole.service CONTENT "${unit}" @ONLY)
set_property(DIRECTORY ${CMAKE_SOURCE_DIR} APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS ${CMAKE_SOURCE_DIR}/systemd/uphole.service)
install(FILES ${PACKAGE_BUILD}/uphole.service DESTINATION lib/systemd/system)

install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/ DESTINATION ${CMAKE_INSTALL_DOCDIR})
if(EXISTS ${CMAKE_SOURCE_DIR}/README.md)
  install(FILES ${CMAKE_SOURCE_DIR}/README.md DESTINATION ${CMAKE_INSTALL_DOCDIR})
endif()
install(FILES ${PACKAGE_SOURCE}/uphole.yaml DESTINATION ${CMAKE_INSTALL_DOCDIR}/examples)

if(NOT CMAKE_INSTALL_PREFIX STREQUAL "/usr")
  return()
endif()

# ---- the Debian package ----
# A configuration that is there already is an operator's, and stays; dpkg asks by itself.
install(CODE "
if(\"\$ENV{DESTDIR}\" STREQUAL \"\" AND EXISTS /etc/uphole/uphole.yaml)
  message(STATUS \"Kept: /etc/uphole/uphole.yaml\")
else()
  file(INSTALL \"${PACKAGE_SOURCE}/uphole.yaml\" DESTINATION /etc/uphole PERMISSIONS OWNER_READ OWNER_WRITE GROUP_READ)
endif()")
install(FILES ${PACKAGE_SOURCE}/copyright DESTINATION ${CMAKE_INSTALL_DOCDIR})
string(TIMESTAMP package_date "%a, %d %b %Y %H:%M:%S +0000" UTC)
file(CONFIGURE OUTPUT ${PACKAGE_BUILD}/changelog.Debian @ONLY CONTENT
"uphole (@PROJECT_VERSION@-@UPHOLE_PACKAGE_RELEASE@) stable; urgency=medium

  * Uphole @PROJECT_VERSION@.

 -- Uphole maintainers <maintainers@uphole.example>  @package_date@
")
install(CODE "execute_process(COMMAND gzip -9nk -f \"${PACKAGE_BUILD}/changelog.Debian\" COMMAND_ERROR_IS_FATAL ANY)")
install(FILES ${PACKAGE_BUILD}/changelog.Debian.gz DESTINATION ${CMAKE_INSTALL_DOCDIR})

set(CPACK_GENERATOR DEB)
set(CPACK_SET_DESTDIR ON)
set(CPACK_STRIP_FILES ON)
set(CPACK_PACKAGE_NAME uphole)
set(CPACK_PACKAGE_VENDOR "Uphole maintainers")
set(CPACK_PACKAGE_CONTACT "Uphole maintainers <maintainers@uphole.example>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "carry a downhole gauge's readings from Modbus to SCADA")
set(CPACK_PACKAGE_DESCRIPTION
"Reads the surface unit of a downhole gauge over Modbus RTU or TCP, journals
each scan before anything is told, and serves the readings with units, quality
and age by MQTT and as a Modbus TCP table. Gaps are listed with their cause,
and filled when a connection returns.
.
Monitoring only; not a protection system. It never writes to a line.")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_RELEASE ${UPHOLE_PACKAGE_RELEASE})
set(CPACK_DEBIAN_PACKAGE_SECTION net)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_DEPENDS adduser)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS ca-certificates)
set(CPACK_DEBIAN_PACKAGE_SUGGESTS mosquitto)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA
  ${PACKAGE_SOURCE}/postinst ${PACKAGE_SOURCE}/prerm ${PACKAGE_SOURCE}/postrm ${PACKAGE_SOURCE}/conffiles)
include(CPack)
