#include <cmath>
#include <cstddef>
#include <ostream>

#include "harness/base/atomic_file.h"
#include "harness/base/text.h"
#include "harness/characteristic/characteristic.h"

namespace dawnrig::characteristic {

void write_csv(const Characteristic& table, const std::filesystem::path& file) {
  base::AtomicFile target{file};
  std::ostream& out = target.stream();
  for (std::size_t i = 0; i < table.columns.size(); ++i) out << (i == 0 ? "" : ",") << table.columns[i].name;
  out << '\n';
  for (const Branch& branch : table.branches) {
    for (const std::vector<double>& row : branch.rows) {
      for (std::size_t i = 0; i < row.size(); ++i) {
        out << (i == 0 ? "" : ",") << (std::isnan(row[i]) ? "" : base::number_text(row[i]));
      }
      out << '\n';
    }
  }
  target.commit();
}

}  // namespace dawnrig::characteristic
