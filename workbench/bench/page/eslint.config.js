import js from "@eslint/js"
import tseslint from "typescript-eslint"

export default tseslint.config(
  { ignores: ["**/node_modules/**"] },
  {
    files: ["**/*.{js,mjs}"],
    extends: [js.configs.recommended],
    languageOptions: { globals: { console: "readonly", process: "readonly", Buffer: "readonly" } },
  },
  {
    files: ["**/*.ts"],
    extends: [js.configs.recommended, ...tseslint.configs.strictTypeChecked, ...tseslint.configs.stylisticTypeChecked],
    languageOptions: { parserOptions: { project: ["./tsconfig.json"] } },
    rules: {
      // Places, counts and numbers of steps stand in sentences.
      "@typescript-eslint/restrict-template-expressions": ["error", { allowNumber: true }],
      // `() => this.act("undo")` hands the promise on; whoever is called may ignore it.
      "@typescript-eslint/no-misused-promises": ["error", { checksVoidReturn: false }],
      "@typescript-eslint/no-confusing-void-expression": "off",
      "@typescript-eslint/no-unused-vars": ["error", { argsIgnorePattern: "^_" }],
      "@typescript-eslint/explicit-module-boundary-types": "error",
      // An array or a record may lack the entry that is looked for; the compiler takes it to be there.
      "@typescript-eslint/no-unnecessary-condition": "off",
      "@typescript-eslint/no-empty-function": ["error", { allow: ["arrowFunctions", "methods"] }],
      eqeqeq: "error",
      "max-len": ["error", { code: 120, ignoreUrls: true }],
      "max-lines": ["error", 500],
      "no-restricted-properties": [
        "error",
        ...["innerHTML", "outerHTML", "insertAdjacentHTML"].map((property) => ({
          property,
          message: "text from files and from Python is shown as text: use make() or textContent",
        })),
      ],
    },
  },
)
