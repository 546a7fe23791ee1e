// Unpacks what the page carries: see payload.py for the form.
async function unpacked(id) {
  const text = document.getElementById(id).textContent.trim();
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(stream).arrayBuffer();
}

function described(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const description = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  return filled(description, buffer, 4 + length);
}

// The description with each array's place replaced by the array: nested as its shape says, NaN where not known.
function filled(value, buffer, start) {
  if (Array.isArray(value)) return value.map((entry) => filled(entry, buffer, start));
  if (value === null || typeof value !== "object") return value;
  if ("at" in value && "shape" in value) return nested(flat(value, buffer, start), value.shape);
  return Object.fromEntries(Object.entries(value).map(([key, entry]) => [key, filled(entry, buffer, start)]));
}

function flat(place, buffer, start) {
  if (place.type === "f32") return new Float32Array(buffer, start + place.at, place.count);
  const steps = new Int16Array(buffer, start + place.at, place.count);
  return Float32Array.from(steps, (step) => (step === -32768 ? NaN : step * place.scale));
}

function nested(values, shape) {
  if (shape.length < 2) return values;
  const size = values.length / shape[0];
  return Array.from({ length: shape[0] }, (_, i) => nested(values.subarray(i * size, (i + 1) * size), shape.slice(1)));
}
