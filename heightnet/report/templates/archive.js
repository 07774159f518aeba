// --- the jobs: a row's key is the address of its report

class Jobs extends Listing {
  make(model) {
    const row = super.make(model);
    if (model.key) {
      const link = element("a", { href: model.key });
      link.append(...row.cells[0].childNodes);
      row.cells[0].append(link);
      delete row.dataset.key;
    }
    return row;
  }
}

new Jobs(document.getElementById("table-jobs"));
