/* What the models say of a setting. The arrays are described in doe/report/explorer.py. */

const dot = (a, b) => { let sum = 0; for (let i = 0; i < a.length; i += 1) sum += a[i] * b[i]; return sum; };
const quadratic = (row, matrix) => dot(row, matrix.map((line) => dot(line, row)));

function codedSetting(data, places) {
  return data.factors.map((factor, i) => {
    if (factor.named) return places[i];
    if (factor.coded) return factor.coded[places[i]]; // a scale that is not linear
    return (factor.values[places[i]] - (factor.low + factor.high) / 2) / ((factor.high - factor.low) / 2);
  });
}

/* A model row; with a printer that printed its values that printer's, else the average over the printers. */
function modelRow(columns, x, printer) {
  const row = columns.terms.map((term, column) => {
    const contrasts = columns.contrasts[column];
    let product = 1, next = 0;
    for (const factor of term) {
      const levels = columns.levels[factor];
      if (!levels) { product *= x[factor]; continue; }
      const contrast = contrasts[next++];
      product *= x[factor] === contrast ? 1 : x[factor] === levels - 1 ? -1 : 0;
    }
    return product;
  });
  const code = printer === undefined ? -1 : columns.printers.indexOf(printer), last = columns.printers.length - 1;
  for (let i = 0; i < columns.blocks; i += 1) row.push(code < 0 || i >= last ? 0 : code === last ? -1 : code === i ? 1 : 0);
  return row;
}

/* Interval of the mean (extra: null) or of a new print on a new load, after Kenward and Roger. */
function kenwardRoger(model, row, extra, level) {
  const added = extra ? dot(extra, model.variances) : 0;
  const variance = quadratic(row, model.covariance) + added;
  const slopes = model.slopes.map((slope, i) => quadratic(row, slope) + (extra ? extra[i] : 0));
  const dof = 2 * variance * variance / quadratic(slopes, model.variancesCovariance);
  const half = tReach(level, dof) * Math.sqrt(quadratic(row, model.adjusted) + added), middle = dot(row, model.estimates);
  return [middle - half, middle + half];
}

/* The same from the posterior on a grid: quantiles of a mixture of Student's t. */
function ofMixture(model, row, isNew, level) {
  const grid = model.mixture, size = row.length, half = size * (size + 1) / 2;
  if (!grid.ready) {
    for (const [name, kind] of [["weights", Float64Array], ["q", Float64Array], ["new", Float64Array], ["centres", Float32Array],
      ["covariances", Float32Array]]) grid[name] = packed(grid[name], kind);
    const dof = grid.dof;
    grid.density = Math.exp(logGamma((dof + 1) / 2) - logGamma(dof / 2)) / Math.sqrt(Math.PI * dof);
    grid.ready = true;
  }
  const middle = dot(row, model.estimates), products = new Float64Array(half);
  for (let i = 0, at = 0; i < size; i += 1) for (let j = i; j < size; j += 1) products[at++] = row[i] * row[j] * (i === j ? 1 : 2);
  const centre = new Float64Array(grid.points), spread = new Float64Array(grid.points);
  for (let g = 0; g < grid.points; g += 1) {
    let shift = 0, variance = isNew ? grid.new[g] : 0;
    for (let i = 0; i < size; i += 1) shift += row[i] * grid.centres[g * size + i];
    for (let i = 0; i < half; i += 1) variance += products[i] * grid.covariances[g * half + i];
    centre[g] = middle + shift;
    spread[g] = Math.sqrt(grid.q[g] / grid.dof * variance);
  }
  return [(1 - level) / 2, (1 + level) / 2].map((probability) => mixtureQuantile(grid, centre, spread, probability));
}

function mixtureQuantile(grid, centre, spread, probability) {
  const reach = tReach(Math.abs(2 * probability - 1), grid.dof) * Math.sign(probability - 0.5);
  let low = Infinity, high = -Infinity, width = Infinity, point = 0;
  for (let g = 0; g < grid.points; g += 1) {
    const each = centre[g] + spread[g] * reach;
    low = Math.min(low, each); high = Math.max(high, each); width = Math.min(width, spread[g]);
    point += grid.weights[g] * each;
  }
  for (let step = 0; step < 100; step += 1) {
    let excess = -probability, slope = 0;
    for (let g = 0; g < grid.points; g += 1) {
      const z = (point - centre[g]) / spread[g];
      excess += grid.weights[g] * tShare(z, grid.dof);
      slope += grid.weights[g] * grid.density * (1 + z * z / grid.dof) ** (-(grid.dof + 1) / 2) / spread[g];
    }
    if (excess < 0) low = point; else high = point;
    let next = point - excess / Math.max(slope, 1e-300);
    if (!(next >= low && next <= high)) next = (low + high) / 2;
    const moved = Math.abs(next - point);
    point = next;
    if (moved <= 1e-9 * width) break;
  }
  return point;
}

function predictionsAt(data, x) {
  return data.responses.map((model) => {
    const row = modelRow(model.columns, x), back = (value) => model.log ? Math.exp(value) : value;
    let interval = [null, null], print = [null, null];
    if (model.ofLoads && model.mixture) {
      interval = ofMixture(model, row, false, data.level); print = ofMixture(model, row, true, data.level);
    } else if (model.ofLoads) {
      interval = kenwardRoger(model, row, null, data.level); print = kenwardRoger(model, row, model.extra, data.level);
    }
    const limits = (pair) => pair.map((value) => value === null ? null : back(value));
    return { mean: back(dot(row, model.estimates)), interval: limits(interval), print: limits(print) };
  });
}

/* Share of future prints that meet every requirement, and of each response alone: medians, and the bound of the first. */
function conformanceAt(data, x) {
  const asked = data.conformance;
  if (!asked) return null;
  if (!asked.ready) {
    for (const margins of asked.margins) for (const one of margins) {
      one.coefficients = packed(one.coefficients, Float32Array);
      one.width = one.width === null ? null : packed(one.width, Float32Array);
    }
    asked.ready = true;
  }
  const size = asked.draws, count = asked.responses.length, total = new Float64Array(size), together = new Float64Array(size);
  const alone = asked.responses.map(() => new Float64Array(size)), share = new Float64Array(size);
  const weight = 1 / (asked.nodes.length * asked.ofPrinter.length);
  asked.ofPrinter.forEach((kept, place) => {
    asked.nodes.forEach((node, n) => {
      const actual = x.map((value, i) => {
        const factor = data.factors[i];
        return factor.scattered ? factor.scattered[factor.coded.indexOf(value)][n] : value + node[i];
      });
      together.fill(1);
      for (let r = 0; r < count; r += 1) {
        const row = modelRow(data.responses[asked.responses[r]].columns, actual, asked.printers[place]);
        sharesOf(asked, asked.margins[kept][r], row, share);
        for (let i = 0; i < size; i += 1) { alone[r][i] += weight * share[i]; together[i] *= share[i]; }
      }
      for (let i = 0; i < size; i += 1) total[i] += weight * together[i];
    });
  });
  total.sort();
  return { estimate: median(total), bound: total[asked.rank], alone: alone.map((one) => median(one.sort())) };
}

function sharesOf(asked, margins, row, into) {
  const size = row.length, coefficients = margins.coefficients;
  const normal = (z) => 1 / (1 + Math.exp(-z * (asked.linear + asked.cubic * z * z)));
  for (let i = 0, at = 0; i < into.length; i += 1) {
    let z = 0;
    for (let j = 0; j < size; j += 1, at += 1) z += row[j] * coefficients[at];
    into[i] = margins.width === null ? normal(z) : Math.max(0, normal(z) + normal(margins.width[i] - z) - 1);
  }
}

/* What predicted means are worth by the aims, each and together, after Derringer and Suich. */
function desirabilityAt(data, found) {
  if (!data.goals) return null;
  const alone = data.goals.map((goal, r) => {
    const way = (from, to) => Math.min(1, Math.max(0, (found[r].mean - from) / (to - from)));
    if (goal.aim === "maximise") return way(goal.low, goal.high) ** goal.shape[0];
    if (goal.aim === "minimise") return way(goal.high, goal.low) ** goal.shape[0];
    return Math.min(way(goal.low, goal.target) ** goal.shape[0], way(goal.high, goal.target) ** goal.shape[goal.shape.length - 1]);
  });
  const weights = data.goals.reduce((sum, goal) => sum + goal.priority, 0);
  return { alone, overall: alone.reduce((product, one, r) => product * one ** (data.goals[r].priority / weights), 1) };
}

const median = (sorted) => {
  const middle = sorted.length >> 1;
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
};

/* Why a setting may not be recommended; empty where it may. */
function outside(data, places, x) {
  const said = [];
  data.factors.forEach((factor, i) => {
    const value = factor.values[places[i]];
    if (factor.named ? !factor.printed.includes(value) : !(value >= factor.printed[0] - 1e-9 && value <= factor.printed[1] + 1e-9)) {
      said.push(factor.name + " " + withUnit(exactly(value), factor.unit) + " was not printed, or a printer cannot be set to it");
    }
  });
  for (const one of data.region.constraints) {
    if (dot(one.weights, data.factors.map((f, i) => f.named ? places[i] : f.values[places[i]])) > one.limit + 1e-9) {
      said.push("it breaks the study's constraint: " + one.text);
    }
  }
  const far = data.region.reaches.some((reach) => {
    const row = modelRow(reach.columns, x);
    return reach.root[0].reduce((sum, _, j) => sum + dot(row, reach.root.map((line) => line[j])) ** 2, 0) > reach.limit;
  });
  if (far) said.push("this combination lies far from every print, even where each value alone was printed");
  return said;
}

/* What to set on a printer for an actual value: null where its readings do not cover it. */
function setpoint(line, value) {
  const wanted = (value - line.intercept) / line.slope;
  if (!line.step) return wanted >= line.low && wanted <= line.high ? wanted : null;
  const steps = Number(((wanted - line.origin) / line.step).toFixed(9)), digits = 9 - Math.floor(Math.log10(line.step));
  const at = Number((line.origin + Math.floor(steps + 0.5) * line.step).toFixed(Math.min(digits, 20)));
  return at >= line.low && at <= line.high ? at : null;
}
