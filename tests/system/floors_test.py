"""ci/check_floors.py finds each kind of forbidden include, names its place, and lets the allowed ones pass."""
import unittest

from tree import PROJECT, TreeTest

# File, its #include line, and a piece of the complaint.
FORBIDDEN = (
    ("plant/circuit.cc", '"harness/base/bad_input.h"', "plant may not include harness/base"),
    ("plant/core/time.cc", '"plant/circuit.h"', "plant/core may not include plant"),
    ("plant/battery/lead_acid.cc", '"plant/panel/single_diode.h"', "plant/battery may not include plant/panel"),
    ("plant/circuit.cc", "<google/protobuf/message.h>", "protobuf is for harness/"),
    ("plant/circuit.cc", '"proto/board.pb.h"', "protobuf is for harness/"),
    ("plant/circuit.cc", "<spdlog/spdlog.h>", "spdlog is for harness/"),
    ("plant/circuit.cc", "<thread>", "<thread> is not for the physics"),
    ("plant/circuit.cc", "<fstream>", "<fstream> is not for the physics"),
    ("plant/magnetics/coil.h", '"plant/core/time.h"', "plant/magnetics/coil.h is not in MAY_INCLUDE"),
    ("harness/base/log.cc", '"harness/device/parts.h"', "harness/base may not include harness/device"),
    ("harness/base/log.cc", '"plant/circuit.h"', "harness/base may not include plant"),
    ("harness/device/virtual_device.cc", '"plant/circuit.h"', "harness/device may not include plant"),
    ("harness/profile/board.cc", '"harness/scenario/stimulus.h"', "harness/profile may not include harness/scenario"),
    ("harness/scenario/load.cc", '"harness/trace/signal.h"', "harness/scenario may not include harness/trace"),
    ("harness/trace/reader.cc", '"harness/rig/rig.h"', "harness/trace may not include harness/rig"),
    ("harness/trace/reader.cc", '"harness/device/parts.h"', "harness/trace may not include harness/device"),
    ("harness/verdict/mean.cc", '"harness/rig/rig.h"', "harness/verdict may not include harness/rig"),
    ("harness/rig/rig.cc", '"harness/verdict/monitor.h"', "harness/rig may not include harness/verdict"),
    ("harness/report/page.cc", '"harness/testing/suite.h"', "harness/report may not include harness/testing"),
    ("harness/testing/suite.cc", '"harness/cli/main.h"', "harness/testing may not include harness/cli"),
    ("harness/rig/rig.cc", '"tests/rig/fake.h"', "only tests may include tests"),
    ("harness/rig/rig.cc", '"../trace/signal.h"', "not named from the root"),
    ("harness/rig/rig.cc", '"rig.h"', "not named from the root"),
    ("harness/rig/rig.cc", "<Eigen/Core>", "Eigen is for plant/"),
    ("harness/rig/rig.cc", "<gtest/gtest.h>", "GoogleTest is for harness/testing/"),
    ("harness/rig/rig.cc", "<simavr/sim_avr.h>", "simavr is for harness/device/"),
    ("harness/rig/rig.cc", "<avr_adc.h>", "simavr is for harness/device/"),
    ("harness/rig/rig.cc", "<gelf.h>", "libelf is for harness/device/"),
    ("harness/rig/rig.cc", "<CLI/CLI.hpp>", "CLI11 is for harness/cli/"),
    ("harness/rig/rig.cc", "<nlohmann/json.hpp>", "no third party that the house knows"),
    ("harness/device/virtual_device.h", "<simavr/sim_avr.h>", "simavr belongs in .cc files"),
    ("harness/device/image.h", "<libelf.h>", "libelf belongs in .cc files"),
    ("harness/base/textproto.h", "<google/protobuf/message.h>", "protobuf belongs in .cc files"),
    ("harness/profile/profile.h", '"board.pb.h"', "protobuf belongs in .cc files"),
    ("harness/base/log.h", "<spdlog/spdlog.h>", "spdlog belongs in .cc files"),
    ("harness/base/log.h", "<fmt/core.h>", "spdlog belongs in .cc files"),
    ("harness/base/digest.h", "<openssl/evp.h>", "OpenSSL belongs in .cc files"),
    ("harness/trace/recorder.h", "<zlib.h>", "zlib belongs in .cc files"),
    ("harness/trace/recorder.h", "<boost/crc.hpp>", "Boost belongs in .cc files"),
    ("harness/trace/recorder.h", "<iostream>", "<iostream> belongs in .cc files"),
    ("harness/trace/recorder.h", "<unistd.h>", "<unistd.h> belongs in .cc files"),
    ("tests/trace/helpers.h", "<iostream>", "<iostream> belongs in .cc files"),
)
ALLOWED = (
    ("plant/circuit.h", '"plant/battery/lead_acid.h"'),
    ("plant/circuit.h", "<Eigen/Core>"),
    ("plant/battery/lead_acid.h", '"plant/core/problems.h"'),
    ("plant/battery/lead_acid.cc", '"plant/battery/lead_acid.h"'),
    ("harness/base/textproto.cc", '"proto/rule.pb.h"'),
    ("harness/base/log.cc", '"harness/version.h"'),
    ("harness/device/core_internal.h", "<simavr/sim_avr.h>"),
    ("harness/device/image.cc", "<gelf.h>"),
    ("harness/profile/board.cc", '"plant/circuit.h"'),
    ("harness/trace/signal.h", '"plant/core/time.h"'),
    ("harness/trace/recorder.cc", "<unistd.h>"),
    ("harness/verdict/mean.h", '"harness/trace/signal.h"'),
    ("harness/testing/suite.h", "<gmock/gmock.h>"),
    ("harness/cli/main.cc", '"harness/report/page.h"'),
    ("tests/rig/rig_test.cc", '"harness/rig/rig.h"'),
    ("tests/rig/rig_test.cc", '"fixture.h"'),
    ("tests/device/facts_test.cc", "<simavr/sim_avr.h>"),
)


class Floors(TreeTest):

    def test_each_forbidden_include_is_found_at_its_line(self):
        for path, name, complaint in FORBIDDEN:
            with self.subTest(path=path, name=name):
                file = self.write(path, f"// A room.\n#include <vector>\n#include {name}\n")
                code, lines = self.run_check("check_floors.py", self.root)
                file.unlink()
                self.assertEqual(code, 1)
                self.assertEqual(len(lines), 1, lines)
                self.assertTrue(lines[0].startswith(f"{path}:3: "), lines[0])
                self.assertIn(complaint, lines[0])

    def test_allowed_includes_pass(self):
        for path, name in ALLOWED:
            self.write(path, f"// A room.\n#include {name}\n")
        self.assertEqual(self.run_check("check_floors.py", self.root), (0, []))

    def test_an_include_in_a_comment_is_none(self):
        self.write("plant/circuit.h", "// #include <thread>\n")
        self.assertEqual(self.run_check("check_floors.py", self.root), (0, []))

    def test_this_house_keeps_its_floors(self):
        self.assertEqual(self.run_check("check_floors.py", PROJECT), (0, []))


if __name__ == "__main__":
    unittest.main()
