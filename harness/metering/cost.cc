#include "harness/metering/cost.h"

#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstdlib>
#include <fstream>
#include <sstream>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"
#include "harness/device/virtual_device.h"

namespace dawnrig::metering {
namespace {

namespace fs = std::filesystem;
using device::Cycle;

constexpr device::Pin kBarePin{'C', 0};
constexpr device::Pin kLinePin{'C', 1};

class ScratchFolder {
 public:
  ScratchFolder() {
    std::error_code error;
    const fs::path temporary = fs::temp_directory_path(error);
    if (error) throw base::BadInput("TMPDIR", "names no folder, must name one that can be written");
    std::string name = (temporary / "dawnrig-XXXXXX").string();
    if (::mkdtemp(name.data()) == nullptr) {
      throw base::BadInput(temporary.string(), "takes no new folder, must be one that can be written (TMPDIR)");
    }
    path_ = name;
  }
  ~ScratchFolder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  ScratchFolder(const ScratchFolder&) = delete;
  ScratchFolder& operator=(const ScratchFolder&) = delete;
  [[nodiscard]] const fs::path& path() const { return path_; }

 private:
  fs::path path_;
};

/// Two pairs of edges around each sum: moving it without the line, and with it.
std::string program(std::uint32_t largest_sum, const std::string& function, std::uint32_t step) {
  const std::string sum = largest_sum <= 0xFF ? "uint8_t" : largest_sum <= 0xFFFF ? "uint16_t" : "uint32_t";
  std::ostringstream out;
  out << "#include <avr/io.h>\n#include \"line.h\"\n"
      << "static volatile " << sum << " in;\nstatic volatile __typeof__(" << function << "(0)) result;\n"
      << "static void send(uint32_t value) {\n  for (uint8_t i = 0; i < 4; ++i) {\n"
      << "    SPDR = (uint8_t)value;\n    while (!(SPSR & _BV(SPIF))) {\n    }\n    value >>= 8;\n  }\n}\n"
      << "int main(void) {\n  DDRB = 0xFF;\n  DDRC = 0x03;\n  SPCR = _BV(SPE) | _BV(MSTR);\n  SPSR = _BV(SPI2X);\n"
      << "  for (uint32_t sum = 0; sum <= " << largest_sum << "UL; sum += " << step << "UL) {\n    in = (" << sum
      << ")sum;\n    PORTC |= _BV(0);\n    result = (__typeof__(" << function
      << "(0)))in;\n    PORTC &= (uint8_t)~_BV(0);\n"
      << "    PORTC |= _BV(1);\n    result = " << function << "(in);\n    PORTC &= (uint8_t)~_BV(1);\n"
      << "    send((uint32_t)(int32_t)result);\n  }\n  for (;;) {\n  }\n}\n";
  return out.str();
}

void compile(const std::string& compiler, const std::string& part, const fs::path& folder) {
  const std::vector<std::string> words{compiler, "-std=gnu11",        "-mmcu=" + part,  "-Os",
                                       "-o",     folder / "line.elf", folder / "line.c"};
  const std::string said = folder / "said";
  std::vector<char*> arguments;
  arguments.reserve(words.size() + 1);
  for (const std::string& word : words) arguments.push_back(const_cast<char*>(word.c_str()));
  arguments.push_back(nullptr);
  const ::pid_t child = ::fork();
  if (child == 0) {
    const int out = ::open(said.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
    ::dup2(out, 1);
    ::dup2(out, 2);
    ::execv(arguments[0], arguments.data());
    ::_exit(127);
  }
  int status = -1;
  if (child < 0 || ::waitpid(child, &status, 0) != child || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
    throw base::RunFault(compiler + " does not compile the line for " + part + ": " + base::read_text(said));
  }
}

/// Notes when the two pins go up and down, and what comes over the SPI.
class Witness : public device::Surroundings {
 public:
  void on_pin(Cycle at, device::Pin pin, device::Drive drive) override {
    std::array<Cycle, 2>& edges = pin == kLinePin ? line : bare;
    edges[drive == device::Drive::kHigh ? 0 : 1] = at;
  }
  double adc_pin_v(Cycle /*at*/, int /*channel*/) override { return 0; }
  void on_serial_byte(Cycle /*at*/, std::uint8_t /*byte*/) override {}
  void on_reset(Cycle /*at*/, device::ResetCause /*cause*/) override {}
  std::uint8_t on_spi_byte(Cycle /*at*/, std::uint8_t out) override {
    word |= std::uint32_t{out} << (8U * (bytes % 4U));
    if (++bytes % 4U != 0) return 0xFF;
    results.push_back({word, (line[1] - line[0]) - (bare[1] - bare[0])});
    word = 0;
    return 0xFF;
  }
  struct Result {
    std::uint32_t word{};
    Cycle cycles{};
  };
  std::array<Cycle, 2> line{}, bare{};
  std::uint32_t word{0};
  unsigned bytes{0};
  std::vector<Result> results;
};

}  // namespace

std::optional<fs::path> compiler_at(const std::string& wanted) {
  const auto runs = [](const fs::path& file) { return ::access(file.c_str(), X_OK) == 0 && fs::is_regular_file(file); };
  if (wanted.find('/') != std::string::npos) return runs(wanted) ? std::optional<fs::path>(wanted) : std::nullopt;
  const char* path = std::getenv("PATH");
  std::istringstream folders{path == nullptr ? "" : path};
  for (std::string folder; std::getline(folders, folder, ':');) {
    if (runs(fs::path(folder) / wanted)) return fs::path(folder) / wanted;
  }
  return std::nullopt;
}

Cost measure(std::uint32_t largest_sum, const std::function<std::int64_t(std::uint32_t)>& expected,
             const std::string& header, const std::string& function, const std::string& compiler,
             const std::string& part, std::uint32_t sums) {
  const ScratchFolder folder;
  const std::uint32_t step = std::max(1U, (largest_sum + 1U) / std::max(1U, sums));
  std::ofstream(folder.path() / "line.h") << header;
  std::ofstream(folder.path() / "line.c") << program(largest_sum, function, step);
  compile(compiler, part, folder.path());
  Witness witness;
  device::DeviceParams params;
  params.part = part;
  params.startup_delay_s = 0;
  params.watched = {kBarePin, kLinePin};
  device::VirtualDevice processor(params, device::load_image(folder.path() / "line.elf", part), witness);
  const std::size_t tried = largest_sum / step + 1U;
  constexpr Cycle kSlice = 100000;
  const Cycle patience = 10000 * static_cast<Cycle>(tried) + 10 * kSlice;
  while (witness.results.size() < tried && processor.now() < patience) {
    if (processor.run_until(processor.now() + kSlice) == device::RunStatus::kCrashed) {
      throw base::RunFault("the compiled line crashes: " + processor.crash_reason());
    }
  }
  if (witness.results.size() < tried) throw base::RunFault("the compiled line does not come to its end");
  Cost cost{witness.results[0].cycles, witness.results[0].cycles, static_cast<std::uint32_t>(tried), {}};
  for (std::size_t i = 0; i < tried; ++i) {
    const auto sum = static_cast<std::uint32_t>(i) * step;
    cost.least_cycles = std::min(cost.least_cycles, witness.results[i].cycles);
    cost.most_cycles = std::max(cost.most_cycles, witness.results[i].cycles);
    if (witness.results[i].word != static_cast<std::uint32_t>(expected(sum)) && !cost.first_differing) {
      cost.first_differing = sum;
    }
  }
  return cost;
}

}  // namespace dawnrig::metering
