// Reads the arrays of an .npz file that is not packed: a zip archive of .npy files.

const KINDS = { "|u1": Uint8Array, "<f4": Float32Array };
const [END, ENTRY] = [0x06054b50, 0x02014b50]; // the zip format's marks (APPNOTE 4.3)

/** The arrays by name, each a flat typed array, station by station. */
export function readArrays(buffer) {
  const view = new DataView(buffer);
  let end = buffer.byteLength - 22;
  while (end > 0 && view.getUint32(end, true) !== END) end -= 1;
  let at = view.getUint32(end + 16, true);
  const arrays = {};
  for (let left = view.getUint16(end + 10, true); left > 0; left -= 1) {
    if (view.getUint32(at, true) !== ENTRY) throw new Error("not a zip archive");
    const [size, nameLength, extra, comment, start] = [
      view.getUint32(at + 24, true),
      view.getUint16(at + 28, true),
      view.getUint16(at + 30, true),
      view.getUint16(at + 32, true),
      view.getUint32(at + 42, true),
    ];
    const name = text(buffer, at + 46, nameLength).replace(/\.npy$/, "");
    const content = start + 30 + view.getUint16(start + 26, true) + view.getUint16(start + 28, true);
    arrays[name] = array(buffer.slice(content, content + size));
    at += 46 + nameLength + extra + comment;
  }
  return arrays;
}

function array(buffer) {
  const view = new DataView(buffer);
  const begin = 10 + view.getUint16(8, true);
  const [, kind] = /'descr': '([^']+)'/.exec(text(buffer, 10, begin - 10));
  return new KINDS[kind](buffer.slice(begin));
}

const text = (buffer, from, length) => new TextDecoder().decode(new Uint8Array(buffer, from, length));
