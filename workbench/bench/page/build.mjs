// Bundles each panel's page.ts and style.css, and the style that all panels share, into ../static, where the Python
// half takes them from; what is written there is checked in, so that who only installs needs no Node. `--check` writes
// nothing and fails where it would.

import { build } from "esbuild"
import { mkdir, readdir, readFile, rm, writeFile } from "node:fs/promises"
import { basename, dirname, join } from "node:path"
import { fileURLToPath } from "node:url"

const here = dirname(fileURLToPath(import.meta.url))
const panels = join(here, "..", "panels")
const target = join(here, "..", "static")

/** Every folder with a page is a panel: there is no list to keep. A style can be put together by the Python half, so
 *  what is shared is made once; a script cannot, as each is loaded by itself. */
async function entryPoints() {
  const found = { shared: [join(here, "shared", "style.css")] }
  for (const name of (await readdir(panels)).sort()) {
    const files = await readdir(join(panels, name)).catch(() => [])
    if (files.includes("page.ts")) found[name] = [join(panels, name, "page.ts"), join(panels, name, "style.css")]
  }
  return found
}

/** The text of each bundle by its file's name. Nothing in it depends on the machine: no paths, no times. */
async function bundles() {
  const made = new Map()
  for (const [name, files] of Object.entries(await entryPoints())) {
    const { outputFiles } = await build({
      absWorkingDir: here,
      entryPoints: files.map((file) => ({ in: file, out: name })),
      outdir: target,
      bundle: true,
      write: false,
      format: "esm",
      target: "es2022",

      charset: "utf8",
      legalComments: "none",
      logLevel: "warning",
    })
    for (const { path, text } of outputFiles) made.set(basename(path), text)
  }
  return made
}

const made = await bundles()
const there = new Map()
for (const name of await readdir(target).catch(() => [])) there.set(name, await readFile(join(target, name), "utf8"))

if (process.argv.includes("--check")) {
  const names = [...new Set([...made.keys(), ...there.keys()])].sort()
  const different = names.filter((name) => made.get(name) !== there.get(name))
  if (different.length) {
    console.error(`the checked-in bundles are not what the sources give: ${different.join(", ")}`)
    console.error("run `npm run build` in workbench/bench/page and check the result in")
    process.exit(1)
  }
} else {
  await mkdir(target, { recursive: true })
  for (const name of there.keys()) if (!made.has(name)) await rm(join(target, name))
  for (const [name, text] of made) await writeFile(join(target, name), text)
  for (const [name, text] of made) console.log(`${name}  ${Buffer.byteLength(text)} bytes`)
}
