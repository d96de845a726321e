"""What the 3MF library finds wrong with a file, said in our words, with the section of the specification.

Core specification 1.3, materials and properties extension 1.2, production extension 1.1 (the 3MF
consortium); section numbers are from memory. The library tells its reason by one fixed sentence.
"""

from __future__ import annotations

#: How the library's sentence begins -> what of the file it means. The first that fits is taken.
_MEANT = {
    "Invalid model node index": "a triangle names a vertex that is not there (core, 4.1.3)",
    "Invalid Model Coordinate Indices": "a triangle names one vertex twice, or only two (core, 4.1.3)",
    "Model Vertex is missing": "a vertex lacks one of x, y and z (core, 4.1.1)",
    "Invalid Model Coordinates": "a vertex lies farther out than can be measured (core, 4.1.1)",
    "Wanted to convert empty string": "where a number belongs there is none",
    "Wanted to convert string with": "where a number belongs there are other letters",
    "Wanted to convert too large": "a number in it is larger than any can be",
    "Could not convert number": "where a number belongs there is none that is one",
    "Not enough values (<12)": "a transform has fewer than twelve numbers (core, 3.3)",
    "Too many values (>12)": "a transform has more than twelve numbers (core, 3.3)",
    "No build section": "it has no build, which says what stands where (core, 3.4.2)",
    "Duplicate build section": "it has two builds (core, 3.4.2)",
    "No resources in model": "it has no resources, so no objects (core, 3.4.2)",
    "Duplicate resources section": "it has two lists of resources (core, 3.4.2)",
    "No model node": "it has no model element (core, 3.4)",
    "Duplicate model node": "it has two model elements (core, 3.4)",
    "Invalid Model Unit": "its unit is none that the format knows (core, 3.4)",
    "Duplicate Model Metadata": "one kind of its metadata is given twice (core, 3.4.1)",
    "Unknown Model Metadata": "its metadata has a name that the format does not know (core, 3.4.1)",
    "Invalid Model Metadata": "one of its metadata has no name (core, 3.4.1)",
    "Could not get XML Namespace for a metadatum": (
        "the name of one of its metadata has a prefix for which no namespace is declared (core, 3.4.1)"
    ),
    "Could not get XML Namespace": "a prefix is used for which no namespace is declared (core, 2.3)",
    "Invalid XML namespace prefix": "a prefix in it is none (core, 2.3)",
    "Invalid Element in namespace": "it has an element that the format does not know (core, 2.3)",
    "Invalid Attribute in namespace": "an element has an attribute that the format does not know (core, 2.3)",
    "Document is not UTF-8": "it says that it is written in another encoding than UTF-8 (core, 2.3)",
    "Document contains a forbidden XML": "it has an attribute of XML that the format forbids (core, 2.3)",
    "Could not find Object associated to the Build": (
        "an item of its build names an object that is not there (core, 3.4.3.1)"
    ),
    "Build item Object ID": "an item of its build names no object (core, 3.4.3.1)",
    "Build-item must not reference": "an item of its build places an object of type other (core, 3.4.3.1)",
    "Could not find Object associated to Component": (
        "a component names an object that is not there, or that stands only after it (core, 4.2)"
    ),
    "Component Object ID": "a component names no object (core, 4.2)",
    "A components object must not": "an object of components has a material of its own (core, 4.2)",
    "An object has no supported content": "an object has neither a mesh nor components (core, 4)",
    "Model Object Content was ambiguous": "an object has more than one mesh or list of components (core, 4)",
    "Invalid Model Object Type": "an object is of a type that the format does not know (core, 4)",
    "Duplicate Resource ID": "two resources have one id (core, 4)",
    "No Model Object ID": "an object has no id, or 0 (core, 4)",
    "Model Object ID was given twice": "an object has two ids (core, 4)",
    "Missing Model Resource ID": "a resource has no id, or 0 (core, 4)",
    "Resource not found": "a resource is named that is not there (core, 4)",
    "No valid Model Resource": "a resource is named that is not there (core, 4)",
    "A Resource Index is invalid": "a material or colour is named that its group does not hold (core, 5)",
    "Could not access mesh information": (
        "a material or colour is named that its group does not hold (core, 5)"
    ),
    "A MeshObject with triangle-properties": "triangles have colours and their object has none (core, 4.1.4)",
    "Invalid hex value": "a colour is none (#RRGGBB; materials, 3.1)",
    "Invalid texture": "a texture is of no picture that is there (materials, 4.1)",
    "A UUID for a build": "an identifier is missing (production, 4)",
    "A UUID is ill": "an identifier is not of the form that it must have (production, 4)",
    "A UUID is not unique": "one identifier is given twice (production, 4)",
    "References in production extension": "components lead through more than one file (production, 4.1)",
    "A path attribute": "the path to a part of the package is none (production, 4.1)",
    "ZIP file contains inconsistencies": "its ZIP package is not in order",
    "Reading from a stream": "a file of its package cannot be unpacked (core, 2.1)",
    "The call parameter": "its model, or a picture of an object, is not in its package (core, 2.1)",
    "This document contains content from Version": "it is of a version before the first that was published",
    "A required extension": "it requires an extension that is not read here (core, 3.4)",
    "The prefix of a required extension": "it requires an extension by a prefix of no namespace (core, 3.4)",
}
#: Words that tell what kind of thing it is about, where the sentence itself is not among those above.
_ABOUT = {
    "XML": "it is not written as XML asks (core, 2.3)",
    "UUID": "its identifiers are not in order (production, 4)",
    "OPC": "the files of its package do not name each other as they must (core, 2.1)",
    "elationship": "the files of its package do not name each other as they must (core, 2.1)",
    "ontent": "the files of its package do not say what they are (core, 2.1)",
    "ZIP": "its ZIP package is not in order",
    "etadata": "its metadata are not in order (core, 3.4.1)",
    "exture": "its textures are not in order (materials, 4)",
    "olor": "its colours are not in order (materials, 3)",
    "omposite": "its mixed materials are not in order (materials, 5.1)",
    "ulti": "its layers of materials are not in order (materials, 5.2)",
    "aterial": "its materials are not in order (core, 5)",
    "eam": "its beam lattice is not in order",
    "lice": "its slices are not in order",
    "olum": "its volumetric data are not in order",
    "implicit": "its volumetric data are not in order",
    "riangle": "its triangles are not in order (core, 4.1.3)",
    "omponent": "its components are not in order (core, 4.2)",
    "uild": "its build is not in order (core, 3.4.3)",
    "bject": "its objects are not in order (core, 4)",
    "humbnail": "its thumbnail is not in order",
    "ttachment": "a file that belongs to it is not in order",
}
_ELSE = "it does not keep to the 3MF specification, and where cannot be told"


def meant_by(error: Exception | str) -> str:
    """What of the file an error or a warning of the library is about."""
    if isinstance(error, UnicodeDecodeError):
        return "a name in it is no text"
    said = str(error)
    said = said.partition(": ")[2] if isinstance(error, Exception) else said
    exact = (words for begins, words in _MEANT.items() if said.startswith(begins))
    about = (words for word, words in _ABOUT.items() if word in said)
    return next(exact, next(about, _ELSE))
