#include "spice.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

namespace dawnrig::plant {
namespace {

class TemporaryFolder {
 public:
  TemporaryFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "dawnrig-spice-XXXXXX").string();
    if (mkdtemp(name.data()) != nullptr) path_ = name;
  }
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  ~TemporaryFolder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

std::string output_of(const std::string& command) {
  std::string output;
  FILE* pipe = popen(command.c_str(), "r");
  if (pipe == nullptr) return "could not be started";
  std::array<char, 4096> part{};
  while (const std::size_t n = std::fread(part.data(), 1, part.size(), pipe)) output.append(part.data(), n);
  pclose(pipe);
  return output;
}

std::vector<std::vector<double>> numbers_in(const std::filesystem::path& file) {
  std::vector<std::vector<double>> rows;
  std::ifstream in{file};
  for (std::string line; std::getline(in, line);) {
    std::istringstream words{line};
    std::vector<double> row;
    for (double value = 0.0; words >> value;) row.push_back(value);
    if (!row.empty()) rows.push_back(std::move(row));
  }
  return rows;
}

}  // namespace

std::size_t SpiceTrace::before(double t_s) const {
  const auto later = std::upper_bound(rows_.begin() + 1, rows_.end() - 1, t_s,
                                      [](double t, const std::vector<double>& row) { return t < row[0]; });
  return static_cast<std::size_t>(later - rows_.begin()) - 1;
}

double SpiceTrace::at(std::size_t quantity, double t_s) const {
  const std::vector<double>& a = rows_[before(t_s)];
  const std::vector<double>& b = rows_[before(t_s) + 1];
  const double part = b[0] > a[0] ? (t_s - a[0]) / (b[0] - a[0]) : 0.0;
  return a[1 + quantity] + part * (b[1 + quantity] - a[1 + quantity]);
}

double SpiceTrace::mean(std::size_t quantity, double from_s, double to_s) const {
  double area = 0.0;
  double last_s = from_s;
  double last = at(quantity, from_s);
  for (std::size_t i = before(from_s) + 1; i < rows_.size() && rows_[i][0] < to_s; ++i) {
    area += 0.5 * (last + rows_[i][1 + quantity]) * (rows_[i][0] - last_s);
    last_s = rows_[i][0];
    last = rows_[i][1 + quantity];
  }
  area += 0.5 * (last + at(quantity, to_s)) * (to_s - last_s);
  return area / (to_s - from_s);
}

SpiceTrace run_spice(const SpiceRun& run) {
  const TemporaryFolder folder;
  const std::filesystem::path netlist = folder.path() / "circuit.cir";
  const std::filesystem::path table = folder.path() / "table.txt";
  {
    std::ofstream out{netlist};
    out << "written by the tests of the plant\n.options temp=25 tnom=25 reltol=1e-5 abstol=1e-9 vntol=1e-6 "
           "method=gear\n"
        << run.circuit << ".tran " << spice_number(run.longest_step_s) << ' ' << spice_number(run.stop_s) << " 0 "
        << spice_number(run.longest_step_s) << " uic\n.control\nset wr_singlescale\nset numdgt=14\nrun\nwrdata "
        << table.string();
    for (const std::string& quantity : run.wanted) out << ' ' << quantity;
    out << "\nquit\n.endc\n.end\n";
  }
  const std::string said = output_of("ngspice -b '" + netlist.string() + "' 2>&1");
  SpiceTrace trace{numbers_in(table)};
  if (trace.empty() || trace.end_s() < run.stop_s * (1.0 - 1e-9)) {
    ADD_FAILURE() << "ngspice (ci/setup installs it) did not finish: " << said << "\n" << run.circuit;
    return SpiceTrace{{}};
  }
  return trace;
}

std::string spice_number(double value) {
  std::array<char, 40> text{};
  const int n = std::snprintf(text.data(), text.size(), "%.17g", value);
  return {text.data(), static_cast<std::size_t>(n)};
}

}  // namespace dawnrig::plant
